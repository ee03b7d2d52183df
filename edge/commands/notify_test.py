"""dryhold notify-test: every way of telling, tried out end to end."""

import argparse
import importlib
from pathlib import Path

from edge.settings import load
from edge.tell import KINDS


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE")


def run(args: argparse.Namespace) -> int:
    settings = load(args.settings)
    proofs = [
        importlib.import_module(module).prove(settings, _say)
        for kind, module in KINDS.items()
        if getattr(settings, kind)
    ]
    if settings.box.beacon or settings.box.buzzer:
        box = importlib.import_module("edge.box")
        gpio = importlib.import_module("edge.sensors.gpio")
        proofs.append(box.prove(settings.box, gpio.open_pi_pins, _say))
    if not proofs:
        _say(f"{args.settings}: nothing to tell anybody with: no [[mqtt]], no [[mail]], no beacon")
        return 1
    return 0 if all(proofs) else 1


def _say(line: str) -> None:
    print(line, flush=True)
