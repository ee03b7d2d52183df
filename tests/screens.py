"""The screens in README, from the demo: python -m tests.screens [FOLDER]. Needs chromium."""

import io
import re
import shutil
import subprocess
import sys
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

FOLDER = Path(__file__).parent / "screens"
SPEED = "3600"  # a day passes in 24 s
DAY_MS, EVENT_MS = 180_000, 120_000
MOST_BYTES = 200_000
ALARMED = "#state:is(.watch, .act)"
SHOTS = (
    ("now", "/", 1024, 900, "light", "#state.holding"),
    ("phone", "/", 375, 720, "dark", ALARMED),
    ("history", "/history", 1024, 760, "light", ""),
)
"""Each a name, a room, width, height and scheme, and what the first view shows before it is taken."""


def main() -> int:
    """Wait until the demo has a whole day behind it, then take each screen as WebP.

    1 when they are heavier together than a README should be.
    """
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(exist_ok=True)
    browser_path = shutil.which("chromium")
    if browser_path is None:
        print("chromium is not installed", file=sys.stderr)
        return 2
    command = [sys.executable, "-u", "-m", "edge", "demo", "--speed", SPEED]
    weight = 0
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:
        try:
            assert demo.stdout is not None
            base = next(
                m[0] for line in demo.stdout if (m := re.search(r"http://[\w.]+:\d+", line))
            )
            with sync_playwright() as play:
                browser = play.chromium.launch(
                    executable_path=browser_path, args=["--no-sandbox", "--disable-gpu"]
                )
                first = browser.new_page()
                first.goto(base)
                first.wait_for_function(
                    "() => !document.getElementById('pressure-text').innerText.includes('data')",
                    timeout=DAY_MS,
                )
                first.wait_for_selector("#figure-loss:not(.past)", timeout=EVENT_MS)
                for name, path, width, height, scheme, shown in SHOTS:
                    page = browser.new_page(
                        viewport={"width": width, "height": height}, color_scheme=scheme
                    )
                    page.goto(base + path)
                    if shown:
                        page.wait_for_selector(shown, timeout=EVENT_MS)
                    image = Image.open(io.BytesIO(page.screenshot()))
                    image.save(folder / f"{name}.webp", quality=70, method=6)
                    weight += (folder / f"{name}.webp").stat().st_size
                browser.close()
        finally:
            demo.terminate()
    print(f"{weight / 1000.0:.0f} kB in {folder}")
    return 0 if weight <= MOST_BYTES else 1


if __name__ == "__main__":
    sys.exit(main())
