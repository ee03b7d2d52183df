"""dryhold baseline show | learn | set: what this supply did when it was handed over."""

import argparse
import getpass
import os
from pathlib import Path

from edge.core import units
from edge.errors import SettingsError
from edge.model import SUPPLY
from edge.settings import Settings, load
from edge.store.read import latest
from edge.store.requests import box_of_monitor
from edge.words import Words


def arguments(parser: argparse.ArgumentParser) -> None:
    words = parser.add_subparsers(dest="word", required=True, metavar="WORD")
    show = words.add_parser("show", help="the commissioned loss, and how it was made")
    _common(show)
    show.add_argument(
        "--runtime",
        type=Path,
        metavar="DIR",
        default=os.environ.get("RUNTIME_DIRECTORY"),
        help="where the daemon writes latest.json (default: the state folder)",
    )
    learn = words.add_parser("learn", help="forget it and learn it anew from now on")
    _common(learn)
    learn.add_argument("--by", help="who asks (default: the account's name)")
    given = words.add_parser("set", help="set the commissioned loss, at the middle of the band")
    given.add_argument("loss", metavar="LOSS", help='pressure lost, as "1.2 psi/h"')
    given.add_argument("--within", metavar="LOSS", help="its standard uncertainty (default: 5 %%)")
    given.add_argument("--by", help="who found it (default: the account's name)")
    _common(given)


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE")
    parser.add_argument("--state", type=Path, required=True, metavar="DIR")


def run(args: argparse.Namespace) -> int:
    settings = load(args.settings)
    if args.word == "show":
        return _show(settings, args.runtime or args.state)
    by = args.by or getpass.getuser()
    if args.word == "learn":
        box_of_monitor(args.state).post("baseline_learn", by, {})
        print("Asked: the commissioned loss, rise and purity are learned anew from now on.")
        return 0
    loss = _rate("LOSS", args.loss)
    sd = 0.05 * loss if args.within is None else _rate("--within", args.within)
    box_of_monitor(args.state).post("baseline_set", by, {"loss_kpa_per_h": loss, "sd": sd})
    print(f"Asked: the commissioned loss is {Words(settings).rate(loss)}.")
    return 0


def _rate(where: str, text: str) -> float:
    try:
        rate = units.parse("pressure rate", text)
        if rate < 0.0:
            raise ValueError("no less than zero, as a loss is told")
        return rate
    except ValueError as error:
        raise SettingsError([f'{where}: expected {error}, found "{text}"']) from error


def _show(settings: Settings, runtime: Path) -> int:
    baseline = latest(Path(runtime))["picture"]["sections"][SUPPLY]["baseline"]
    if baseline is None:
        print("Not known yet: it is learned from the first day of rests or more, or set by you.")
        return 1
    words = Words(settings)
    span = words.between(baseline["low"], baseline["high"])
    print(f"{words.rate(baseline['loss_kpa_per_h'])} at the middle of the band ({span})")
    print(f"{baseline['made']}, {baseline['at']}")
    for when, name in (
        ("two rests", "told_from_kpa_per_h"),
        ("some days", "told_in_days_from_kpa_per_h"),
    ):
        if baseline.get(name) is not None:
            print(f"Growth to {words.rate(baseline[name])} or more is told within {when}")
    return 0
