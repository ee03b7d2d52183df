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
SHOTS = (
    ("now", "/", 1024, 900, "light"),
    ("phone", "/", 375, 720, "dark"),
    ("history", "/history", 1024, 760, "light"),
)


def main() -> int:
    """Wait until the demo has a few cycles behind it, then take each screen as WebP."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(exist_ok=True)
    browser_path = shutil.which("chromium")
    if browser_path is None:
        print("chromium is not installed", file=sys.stderr)
        return 2
    command = [sys.executable, "-u", "-m", "edge", "demo"]
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
                page = browser.new_page()
                page.goto(base)
                page.wait_for_selector("#figure-loss:not(.past)", timeout=120_000)
                for name, path, width, height, scheme in SHOTS:
                    page = browser.new_page(
                        viewport={"width": width, "height": height}, color_scheme=scheme
                    )
                    page.goto(base + path)
                    image = Image.open(io.BytesIO(page.screenshot()))
                    image.save(folder / f"{name}.webp", quality=70, method=6)
                browser.close()
        finally:
            demo.terminate()
    return 0


if __name__ == "__main__":
    sys.exit(main())
