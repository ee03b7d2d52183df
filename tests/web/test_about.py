"""What the page says of itself: its API for people, the door's label, a phone's home screen."""

import subprocess
import sys
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
import zxingcpp
from PIL import Image
from pypdf import PdfReader

from edge.__main__ import main
from web import about, label


def test_the_description_is_set_for_people(site: Any) -> None:
    """What stands between backticks in OpenAPI is set as code on the page, everything else as text."""
    html = site.client().get("/api").get_data(as_text=True)
    assert "`" not in html
    assert "instead of <code>span</code>" in html
    assert about.coded("a <b> & `c <d>`") == "a &lt;b&gt; &amp; <code>c &lt;d&gt;</code>"


def test_the_label_says_where_whom_and_what_to_mind(site: Any) -> None:
    """Site, address in letters, whom to call and the caution; an address on the box alone is told."""
    html = site.client().get("/label", base_url="http://10.0.0.7:8080").get_data(as_text=True)
    for words in ("Saltmarsh Lane depot", "http://10.0.0.7:8080/", "555-0142", "never replaces"):
        assert words in html, words
    assert "works on the box alone" not in html
    assert "works on the box alone" in site.client().get("/label").get_data(as_text=True)


@pytest.mark.parametrize("address", ["http://10.0.0.7:8080/", "https://dryhold-7.local:8443/"])
def test_the_code_is_the_address(chromium: Any, address: str) -> None:
    """A reader that shares no code with its maker reads the address from what is drawn."""
    page = chromium.new_page(viewport={"width": 400, "height": 400})
    page.set_content(f"<body style='margin:0'>{label.drawn(address)}</body>")
    shot = Image.open(BytesIO(page.screenshot())).convert("RGB")
    page.close()
    assert zxingcpp.read_barcode(shot).text == address


def test_the_command_writes_the_label(tmp_path: Path, capsys: Any) -> None:
    """One page, with the words and the address that the settings give, drawn the same each time."""
    text = (Path(__file__).parents[2] / "edge" / "saltmarsh.toml").read_text(encoding="utf-8")
    settings = tmp_path / "site.toml"
    settings.write_text(f'{text}\n[page]\nurl = "https://depot.example/"\n', encoding="utf-8")
    made = []
    for name in ("a.pdf", "b.pdf"):
        assert main(["label", "--settings", str(settings), "-o", str(tmp_path / name)]) == 0
        made.append((tmp_path / name).read_bytes())
    assert "https://depot.example/" in capsys.readouterr().out
    assert made[0] == made[1]
    pages = PdfReader(BytesIO(made[0])).pages
    words = " ".join(pages[0].extract_text().split())
    assert len(pages) == 1
    for said in ("Saltmarsh Lane depot", "https://depot.example/", "555-0142", "never replaces"):
        assert said in words, said
    assert main(["label", "--settings", str(settings), "-o", str(tmp_path / "no" / "c.pdf")]) == 2


def test_a_phone_can_keep_it_on_its_home_screen(site: Any) -> None:
    """The manifest names icons that are there, of the sizes it says."""
    client = site.client()
    manifest = client.get("/manifest.webmanifest")
    assert manifest.mimetype == "application/manifest+json"
    assert (manifest.json["start_url"], manifest.json["display"]) == ("/", "standalone")
    sizes = []
    for icon in [*manifest.json["icons"], {"src": "/icon-180.png", "sizes": "180x180"}]:
        answer = client.get(icon["src"])
        assert answer.status_code == 200
        if answer.mimetype == "image/png":
            found = Image.open(BytesIO(answer.data))
            assert icon["sizes"] == f"{found.width}x{found.height}"
            sizes.append(found.width)
        answer.close()
    assert sizes == [192, 512, 180]
    assert client.get("/icon-7.png").status_code == 404
    assert client.get("/favicon.ico").location == "/static/icon.svg"
    assert 'rel="manifest"' in client.get("/").get_data(as_text=True)


def test_the_api_is_described_for_people(site: Any) -> None:
    """Every path and every parameter of the OpenAPI document stands in the room."""
    client = site.client()
    html = client.get("/api").get_data(as_text=True)
    for path, methods in client.get("/api/openapi.json").json["paths"].items():
        assert f'href="{path}"' in html
        for one in methods["get"].get("parameters", ()):
            assert f"<code>{one['name']}</code>" in html


def test_drawing_stays_out_of_the_page() -> None:
    """What makes pictures and sheets is not loaded into the page's process."""
    code = "import sys, web; sys.exit(bool({'PIL', 'reportlab', 'segno'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
