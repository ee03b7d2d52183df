"""A person's hands in the demo: python -m edge.demo.hands PORT FILE

A small page of its own, on this machine only, that writes down how a visitor has put the valves of
the simulated plant. The demo's monitor process moves the simulated valves accordingly. Nothing of
this is in the product's daemon, which commands nothing.
"""

import json
import sys
from collections.abc import Mapping
from html import escape
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs

from edge.demo.place import LOOPBACK
from edge.latest import write
from edge.plant.physics import MOIST_AIR_PCT
from edge.plant.plant import Plant

CHOICES: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "bypass": ("Three-way valve", ("nitrogen", "bypass")),
    "needle": ("Needle valve, share of as set", ("0.8", "1", "1.5")),
    "drain": ("Drain of the line", ("closed", "a little", "cracked", "open")),
    "device": ("Air maintenance devices", ("shut", "works", "open")),
    "vent": ("Drain of the systems", ("closed", "open")),
    "probe": ("Oxygen sensor held in", ("the sample line", "open air", "2 % gas")),
    "cell": ("Oxygen cell", ("new", "worn")),
    "cut_out": ("Cut-out of the control", ("as set", "a quarter too high")),
    "leak": ("Supply line", ("tight", "leaks")),
}
"""What a hand can do, and its places; the first is where it stands at the beginning."""

BLEED_L_MIN = {"closed": 0.0, "a little": 26.0, "cracked": 60.0, "open": 400.0}
VENT_L_MIN = 150.0
PROBES = {"the sample line": None, "open air": MOIST_AIR_PCT, "2 % gas": 2.0}
TIGHT_L_MIN, LEAK_L_MIN = 0.0, 7.0


def move(plant: Plant, hands: Mapping[str, str]) -> None:
    """Put the plant as the hands say; what they do not name stays as it is."""
    if "bypass" in hands:
        plant.bypass = hands["bypass"] == "bypass"
    if "needle" in hands:
        plant.needle = float(hands["needle"])
    if "device" in hands:
        for system in plant.systems.values():
            system.device = hands["device"]  # type: ignore[assignment]
    if "vent" in hands:
        for system in plant.systems.values():
            system.extra_loss_l_min = VENT_L_MIN if hands["vent"] == "open" else 0.0
    if "probe" in hands:
        plant.probe = PROBES[hands["probe"]]
    if "cell" in hands:
        plant.cell = 1.0 if hands["cell"] == "new" else 0.6
    if "cut_out" in hands:
        share = 1.0 if hands["cut_out"] == "as set" else 1.25
        plant.cut_out_kpa = share * plant.parameters.cut_out_kpa
    own = plant.parameters.loss_l_min
    # The devices' own small losses are what a tight line has until they are shut.
    line = (TIGHT_L_MIN if hands.get("device") == "shut" else own) - own
    if hands.get("leak") == "leaks":
        line = LEAK_L_MIN
    plant.extra_loss_l_min = line + BLEED_L_MIN[hands.get("drain", "closed")]


class Hands:
    """What is written in a file, done to a plant whenever the file has changed."""

    def __init__(self, path: Path, plant: Plant) -> None:
        self._path, self._plant = path, plant
        self._done: str | None = None

    def obey(self) -> None:
        text = self._path.read_text() if self._path.exists() else "{}"
        if text != self._done:
            self._done = text
            move(self._plant, json.loads(text))


def handler(path: Path) -> type[BaseHTTPRequestHandler]:
    """The page: one form, and what it was left at."""

    class Page(BaseHTTPRequestHandler):
        def _now(self) -> dict[str, str]:
            kept = json.loads(path.read_text()) if path.exists() else {}
            return {key: kept.get(key, places[0]) for key, (_, places) in CHOICES.items()}

        def do_GET(self) -> None:
            now = self._now()
            rows = "".join(
                f"<p><label>{escape(label)} <select name={key}>"
                + "".join(
                    f"<option{' selected' if place == now[key] else ''}>{escape(place)}</option>"
                    for place in places
                )
                + "</select></label></p>"
                for key, (label, places) in CHOICES.items()
            )
            text = (
                "<!doctype html><html lang=en><meta charset=utf-8><title>Hands</title>"
                "<meta name=viewport content='width=device-width'><h1>Your hands on the simulated"
                " plant</h1><p>The monitor moves nothing: you do.</p><form method=post>"
                f"{rows}<p><button>Move them so</button></p></form>"
            ).encode()
            self.send_response(200)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.send_header("Content-Length", str(len(text)))
            self.end_headers()
            self.wfile.write(text)

        def do_POST(self) -> None:
            size = min(int(self.headers.get("Content-Length", "0")), 10_000)
            form = parse_qs(self.rfile.read(size).decode())
            now = self._now()
            for key, (_, places) in CHOICES.items():
                wanted = form.get(key, [now[key]])[0]
                now[key] = wanted if wanted in places else now[key]
            write(path, now)
            self.send_response(303)
            self.send_header("Location", "/")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Quiet: the demo's terminal is for events."""

    return Page


if __name__ == "__main__":
    ThreadingHTTPServer((LOOPBACK, int(sys.argv[1])), handler(Path(sys.argv[2]))).serve_forever()
