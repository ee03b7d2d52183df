"""dryhold hold judge | start | watch | stop | alarm | list | rejudge"""

import argparse
import getpass
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from edge.commands.given import moment
from edge.core.units import parse
from edge.errors import DryholdError, RecordingError
from edge.hold.again import channels, rejudge
from edge.hold.offered import methods
from edge.judge import Judge
from edge.model import SUPPLY, Event, Request, Tick, iso
from edge.recording import Recording
from edge.settings import Settings, load
from edge.store.read import Reader, latest
from edge.store.requests import FILE as LETTERBOX
from edge.store.requests import Box, box_of_monitor
from edge.words import Words

CAUTION = (
    "dryhold only watches. Before closing a valve notify the monitoring station and the owner and"
    " follow the impairment procedure; afterwards put every valve back and prove it."
)


SILENT_S = 60.0
"""A daemon that has written nothing for longer does not run; it writes every two seconds."""


class HoldError(DryholdError, ValueError):
    """A hold test that cannot be judged, started or shown as asked."""


def arguments(parser: argparse.ArgumentParser) -> None:
    words = parser.add_subparsers(dest="word", required=True, metavar="WORD")

    judge = words.add_parser("judge", help="judge a past stretch of a recording")
    judge.add_argument("recording", type=Path, metavar="RECORDING", help="CSV of readings")
    judge.add_argument("--from", dest="start", type=moment, required=True, metavar="T1")
    judge.add_argument("--to", dest="end", type=moment, required=True, metavar="T2")
    _common(judge)
    judge.set_defaults(do=_judge)

    start = words.add_parser("start", help="ask the daemon to begin a hold test")
    start.add_argument("--note", help="edition of the standard, weather, whatever must be kept")
    start.add_argument("--by", help="who tests (default: the account's name)")
    start.add_argument(
        "--alarm-at", type=_pressure, metavar="P", help="with the source shut off: the alarm's set"
        ' pressure, as "26 psi"'
    )  # fmt: skip
    start.add_argument(
        "--proved", action="store_true", help="the system's device is proved closed: after a small"
        " bleed at the gauge the pressure did not recover"
    )  # fmt: skip
    _common(start)
    _state(start)
    start.set_defaults(do=_start)

    alarm = words.add_parser(
        "alarm", help="say whether the low-pressure alarm operated with the source shut off"
    )
    alarm.add_argument("operated", choices=("operated", "silent"))
    alarm.add_argument("--alarm-at", type=_pressure, metavar="P", help="its set pressure")
    alarm.add_argument("--by", help="who says so (default: the account's name)")
    _common(alarm, method=False)
    _state(alarm)
    alarm.set_defaults(do=_alarm)

    stop = words.add_parser("stop", help="ask the daemon to end a hold test now")
    stop.add_argument("--by", help="who stops it (default: the account's name)")
    _common(stop, method=False)
    _state(stop)
    stop.set_defaults(do=_stop)

    watch = words.add_parser("watch", help="follow the test under way until its verdict")
    _common(watch, method=False)
    _state(watch)
    watch.add_argument(
        "--runtime",
        type=Path,
        metavar="DIR",
        default=os.environ.get("RUNTIME_DIRECTORY"),
        help="where the daemon writes latest.json (default: the state folder)",
    )
    watch.set_defaults(do=_watch)

    listed = words.add_parser("list", help="the methods of this site and the tests that are kept")
    _common(listed, method=False, section=False)
    _state(listed)
    listed.set_defaults(do=_list)

    again = words.add_parser("rejudge", help="judge a kept test again from its readings")
    again.add_argument("id", metavar="ID", help="the test's number, or the id of its event")
    again.add_argument("--json", action="store_true", help="JSON instead of words")
    _state(again)


def _common(parser: argparse.ArgumentParser, method: bool = True, section: bool = True) -> None:
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE")
    if section:
        parser.add_argument(
            "--section", default=SUPPLY, metavar="NAME", help='"supply" or a system\'s name'
        )
    if method:
        parser.add_argument("--method", metavar="NAME", help="see `dryhold hold list`")
    parser.add_argument("--json", action="store_true", help="JSON instead of words")


def _state(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--state", type=Path, required=True, metavar="DIR")


def run(args: argparse.Namespace) -> int:
    if args.word == "rejudge":  # what it needs was kept with the test
        return _rejudge(args)
    settings = load(args.settings)
    section = getattr(args, "section", SUPPLY)
    sections = [SUPPLY, *(s.name for s in settings.system)]
    if section not in sections:
        raise HoldError(f'--section: expected one of {", ".join(sections)}, found "{section}"')
    method = getattr(args, "method", None)
    if method is not None and method not in methods(settings):
        names = ", ".join(methods(settings))
        raise HoldError(f'--method: expected one of {names}, found "{method}"')
    do: Callable[[argparse.Namespace, Settings], int] = args.do
    return do(args, settings)


# --- judge


def _judge(args: argparse.Namespace, settings: Settings) -> int:
    if args.end <= args.start:
        raise HoldError(f"--to: expected after --from, found {iso(args.end)}")
    recording = Recording(args.recording, settings, lambda why: print(why, file=sys.stderr))
    for note in recording.notes:
        print(note, file=sys.stderr)
    own = next((s for s in settings.system if s.name == args.section), None)
    pressure = settings.supply.pressure if own is None else own.pressure
    if pressure in recording.absent:
        raise RecordingError(f"{args.recording}: expected a column {pressure}, found none")
    judge = Judge(settings, absent=recording.absent)
    finished = stretch(judge, recording, args.start, args.end, args.section, args.method)
    if recording.bad:
        print(f"{recording.bad} rows could not be read", file=sys.stderr)
    if finished is None:
        refused = judge.tests.refused().get(args.section)
        raise RecordingError(
            f"{args.recording}: expected readings from {iso(args.start)} to {iso(args.end)},"
            f" found {refused or 'none'}"
        )
    answer = finished.as_json()
    _print(args, answer, answer["text"])
    return 0


def stretch(
    judge: Judge,
    ticks: Iterator[Tick] | Recording,
    start: float,
    end: float,
    section: str = SUPPLY,
    method: str | None = None,
) -> Event | None:
    """The `hold_test_finished` of a stretch [start, end], seconds since 1970, judged as live.

    What comes before teaches the judge. None when no reading lies in the stretch.
    """
    what = {"section": section, "method": method, "to_end": True}
    held: Tick | None = None
    begun = False
    for tick in ticks:
        at = tick.t + tick.offset_s
        if at > end + 0.0005:
            break
        if held is not None:
            ended = _finished(judge.look(held), section)
            if ended is not None:
                return ended
        held = tick
        if not begun and at >= start - 0.0005:
            begun = True
            held = tick._replace(requests=(Request(0, "hold_start", "a person", what),))
    if held is None or not begun:
        return None
    last = Request(1, "hold_stop", "a person", {"section": section})
    return _finished(judge.look(held._replace(requests=(*held.requests, last))), section)


def _finished(events: list[Event], section: str) -> Event | None:
    return next(
        (e for e in events if e.kind == "hold_test_finished" and e.section == section), None
    )


# --- through the letterbox


def _post(args: argparse.Namespace, kind: str, what: Mapping[str, Any]) -> int:
    box = box_of_monitor(args.state)
    try:
        return box.post(kind, args.by or getpass.getuser(), what)
    finally:
        box.close()


def _pressure(text: str) -> float:
    """A gauge pressure with its unit as kPa."""
    try:
        return parse("pressure", text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _start(args: argparse.Namespace, _settings: Settings) -> int:
    what = {
        "section": args.section, "method": args.method, "note": args.note,
        "alarm_kpa": args.alarm_at, "device_proved": args.proved,
    }  # fmt: skip
    number = _post(args, "hold_start", what)
    text = f"Asked for (request {number}). Follow it with: dryhold hold watch\n{CAUTION}"
    _print(args, {"request": number, **what}, text)
    return 0


def _alarm(args: argparse.Namespace, _settings: Settings) -> int:
    what = {
        "section": args.section, "operated": args.operated == "operated", "alarm_kpa": args.alarm_at,
    }  # fmt: skip
    number = _post(args, "hold_alarm", what)
    _print(args, {"request": number, **what}, f"Asked for (request {number}).")
    return 0


def _stop(args: argparse.Namespace, _settings: Settings) -> int:
    number = _post(args, "hold_stop", {"section": args.section})
    _print(args, {"request": number, "section": args.section}, f"Asked for (request {number}).")
    return 0


def _watch(args: argparse.Namespace, settings: Settings) -> int:
    runtime = args.runtime or args.state
    words = Words(settings)
    said = None
    while True:
        taken = _taken_up(args)
        newest = latest(runtime)
        old_s = time.time() - _seconds(newest["written_at"])
        if old_s > SILENT_S:
            ago = words.duration(old_s)
            raise HoldError(f"the daemon wrote last {ago} ago: expected it to run")
        if taken is not None and _seconds(newest["at"]) <= taken:
            now: str | None = None  # what stands there is of before
        else:
            test = _under_way(newest["picture"], args.section)
            now = line(test, words)
            over = test["state"] in ("verdict", "void")
            if now != said or over:
                _print(args, test, now)
            if over:
                return 0
        said = now
        time.sleep(1.0)


def _taken_up(args: argparse.Namespace) -> float | None:
    """When the newest start of this section was, as Box.taken_up."""
    if not (args.state / LETTERBOX).exists():
        return None
    box = Box(args.state)
    try:
        return box.taken_up("hold_start", args.section)
    finally:
        box.close()


def _under_way(picture: Mapping[str, Any], section: str) -> Mapping[str, Any]:
    """The test under way or over; HoldError where there is none, or the newest was refused."""
    tests: list[dict[str, Any]] = picture.get("hold_tests") or []
    test = next((t for t in tests if t["section"] == section), None)
    refused = picture.get("hold_refused", {}).get(section)
    if test is None or (refused and test["state"] in ("verdict", "void")):
        raise HoldError(refused or f"no hold test of {section} is under way or over")
    return test


def _seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def line(test: Mapping[str, Any], words: Words) -> str:
    """One line of a test's course, from the picture."""
    if "verdict" in test:
        return str(test["text"])
    past = words.duration(float(test["elapsed_s"]) // 10 * 10)
    text = f"{test['section']}: {test['state']} for {past}"
    if test.get("loss_kpa_per_h") is not None:
        between = words.between(test["loss_low_kpa_per_h"], test["loss_high_kpa_per_h"])
        limit = words.rate(test["limit_kpa_per_h"])
        text += f", loss {words.rate(test['loss_kpa_per_h'])} ({between}), limit {limit}"
    return f"{text}. {test['advice']}"


# --- from the database


def _list(args: argparse.Namespace, settings: Settings) -> int:
    with Reader(args.state) as reader:
        tests = reader.tests()
    known = [{**m.plain(), "void_when": m.void_when} for m in methods(settings).values()]
    text = ["Methods:"]
    text += [f"  {m['name']}: {m['counts']} ({m['source']})" for m in known]
    text += ["Tests:"] + [f"  {t['n']}  {t['at']}  {t['section']}: {t['text']}" for t in tests]
    if not tests:
        text.append("  none yet")
    _print(args, {"methods": known, "tests": tests}, "\n".join(text))
    return 0


def _rejudge(args: argparse.Namespace) -> int:
    number = str(args.id).rpartition("-")[2]
    if not number.isdecimal():
        raise HoldError(f'expected the number of a test, as `hold list` shows, found "{args.id}"')
    with Reader(args.state) as reader:
        event, aside = reader.test(int(number))
        if aside is None:
            raise HoldError(f"test {number} never began to hold: {event['void']}")
        ticks = reader.steady(channels(aside), aside["start_t"], aside["end_t"])
        again = rejudge(aside, ticks)
    differs = {
        name: {"kept": event.get(name), "again": value}
        for name, value in again.items()
        if event.get(name) != value
    }
    answer = {
        **{key: event[key] for key in ("id", "at", "section", "started")},
        **again,
        "same": not differs,
        "differs": differs,
        "version": aside["terms"]["version"],
        "software": aside["terms"]["software"],
    }
    same = "the same answer" if not differs else f"another answer: {', '.join(differs)} differ"
    _print(args, answer, f"{again['verdict']}. {again['why']}\nJudged again: {same}.")
    return 0 if not differs else 1


def _print(args: argparse.Namespace, answer: Mapping[str, Any], text: str) -> None:
    print(json.dumps(answer, ensure_ascii=False) if args.json else text, flush=True)
