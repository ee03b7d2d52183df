"""dryhold replay RECORDING.csv --settings SITE.toml [--json]"""

import argparse
import contextlib
import io
import json
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from edge.errors import RecordingError
from edge.judge import Judge
from edge.model import Event, Tick, iso
from edge.recording import Recording
from edge.settings import Settings, load
from edge.words import Words


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recording", type=Path, metavar="RECORDING", help="CSV of readings")
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE", help="the site's")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    settings = load(args.settings)
    opened = Recording(args.recording, settings, lambda why: print(why, file=sys.stderr))
    with contextlib.closing(opened) as recording:
        _tell(args, settings, recording)
    return 0


def _tell(args: argparse.Namespace, settings: Settings, recording: Recording) -> None:
    for note in recording.notes:
        print(note, file=sys.stderr)
    judge = Judge(settings, absent=recording.absent)
    account = Account(judge, Words(settings))
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")  # JSON is UTF-8 whatever the terminal speaks
    for tick in _progress(recording):
        for event in judge.look(tick):
            if args.json:
                print(json.dumps(event.as_json(), ensure_ascii=False))
            else:
                account.add(event)
    for at, step_s in recording.set_by:
        way = "back" if step_s < 0.0 else "forward"
        print(f"after {iso(at)} the clock was set {way} by {abs(step_s):g} s", file=sys.stderr)
    if recording.bad:
        noun = "row" if recording.bad == 1 else "rows"
        print(f"{recording.bad} {noun} could not be read", file=sys.stderr)
    if not recording.rows:
        raise RecordingError(f"{args.recording}: expected rows of readings, found none usable")
    if not args.json:
        account.end()


def _progress(recording: Recording) -> Iterator[Tick]:
    """The recording's ticks, with a bar on stderr where a person watches."""
    if not sys.stderr.isatty():
        yield from recording
        return
    size = max(recording.path.stat().st_size, 1)
    for n, tick in enumerate(recording):
        if n % 20_000 == 0:
            share = min(recording.file.buffer.tell() / size, 1.0)  # type: ignore[attr-defined]
            bar = "#" * round(40 * share)
            print(f"\r[{bar:<40}] {share:4.0%}", end="", file=sys.stderr)
        yield tick
    print("\r" + " " * 48 + "\r", end="", file=sys.stderr)


class Account:
    """The readable telling: what happened, then the sums."""

    def __init__(self, judge: Judge, words: Words) -> None:
        self._judge = judge
        self._words = words
        self._kinds: Counter[str] = Counter()
        self._losses: list[float] = []
        self._run_s = 0.0
        self._zone = judge.settings.site.zone

    def add(self, event: Event) -> None:
        self._kinds[event.kind] += 1
        if event.kind == "idle_measured":
            self._losses.append(event.numbers["loss_kpa_per_h"])
        elif event.kind == "run_measured":
            self._run_s += event.numbers["run_s"]
        when = datetime.fromtimestamp(event.at, self._zone)
        text = event.text
        if event.kind == "alert_raised" and event.numbers.get("cause_text"):
            text += f" Most likely: {event.numbers['cause_text']}."
        print(f"{when:%Y-%m-%d %H:%M:%S}  {text}")

    def end(self) -> None:
        words, kinds = self._words, self._kinds
        picture = self._judge.picture()
        print()
        print(f"Whole runs: {kinds['run_measured']}, {words.duration(self._run_s)} in all")
        if self._losses:
            middle = sorted(self._losses)[len(self._losses) // 2]
            print(f"Loss at rest: {words.rate(middle)}, the median of {len(self._losses)} rests")
        print(f"Alerts raised: {kinds['alert_raised']}, still standing: {len(picture['alerts'])}")
        print(f"At the end: {picture['state']}. {picture['reason']}")
        for line in picture["not_judged"]:
            print(f"Not judged: {line}")
