"""dryhold backtest --since 30d --settings NEW.toml --state DIR [--json]"""

import argparse
import json
import re
import time
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from edge.core import units
from edge.judge import Judge
from edge.model import iso
from edge.settings import Settings, load
from edge.store.read import Reader

SAME_S = 3600.0
"""Two raises of one alert so close together are one and the same."""

NOT_IN_READINGS = frozenset({"monitor_fault", "storage_low", "hold_test_failed"})
"""Alerts that come of the monitor itself or of what people asked for: no settings change them, and
kept readings do not bring them back."""


def _span_s(text: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)", text)
    if found is None:
        raise argparse.ArgumentTypeError(f'expected a time span as "30d" or "12h", found "{text}"')
    return units.inside("time", float(found[1]), found[2])


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE", help="to be tried")
    parser.add_argument("--state", type=Path, required=True, metavar="DIR")
    parser.add_argument(
        "--since", type=_span_s, default="30d", metavar="SPAN", help="as 30d or 12h"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """0 when both would have said the same, 1 when not."""
    settings = load(args.settings)
    names = [channel.name for channel in settings.channel]
    with Reader(args.state) as reader:
        kept = reader.span()
        last = kept[1] if kept else time.time()
        since = last - args.since
        judge = Judge(settings)
        tried = [
            event.as_json()
            for tick in reader.readings(names, since, None)
            for event in judge.look(tick)
            if event.kind == "alert_raised" and event.numbers["alert"] not in NOT_IN_READINGS
        ]
        kept_events = reader.events(limit=1_000_000, kinds=["alert_raised"], since=since)[::-1]
        said = [event for event in kept_events if event["alert"] not in NOT_IN_READINGS]
    rows = compare(said, tried)
    if args.json:
        for row in rows:
            print(json.dumps(row._asdict(), ensure_ascii=False))
    else:
        _print(rows, settings, since)
    return 0 if all(row.said and row.would_say for row in rows) else 1


class Row(NamedTuple):
    """One alert: said then, would be said now, or both; times ISO 8601 or None."""

    alert: str
    section: str | None
    said: str | None
    would_say: str | None
    text: str


def compare(said: Iterable[Mapping[str, Any]], tried: Iterable[Mapping[str, Any]]) -> list[Row]:
    """The two tellings side by side, in order of time."""
    rows: list[Row] = []
    left = list(said)
    for event in tried:
        same = next((e for e in left if _same(e, event)), None)
        if same is not None:
            left.remove(same)
        rows.append(
            Row(
                event["alert"],
                event.get("section"),
                same["at"] if same is not None else None,
                event["at"],
                event["text"],
            )
        )
    rows += [Row(e["alert"], e.get("section"), e["at"], None, e["text"]) for e in left]
    return sorted(rows, key=lambda row: row.said or row.would_say or "")


def _same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    keys = ("alert", "section", "subject")
    apart = abs(_at(one) - _at(other))
    return all(one.get(k) == other.get(k) for k in keys) and apart <= SAME_S


def _at(event: Mapping[str, Any]) -> float:
    return datetime.fromisoformat(event["at"]).timestamp()


def _print(rows: list[Row], settings: Settings, since: float) -> None:
    zone = settings.site.zone
    print(
        f"Alerts since {datetime.fromtimestamp(since, zone):%Y-%m-%d %H:%M}, {settings.site.name}"
    )
    print(f"{'said':<17} {'these settings':<17} alert")
    for row in rows:
        times = [
            f"{datetime.fromisoformat(t).astimezone(zone):%Y-%m-%d %H:%M}" if t else "-"
            for t in (row.said, row.would_say)
        ]
        print(f"{times[0]:<17} {times[1]:<17} {row.alert.replace('_', ' ')}: {row.text}")
    both = sum(1 for row in rows if row.said and row.would_say)
    only = sum(1 for row in rows if not row.said)
    gone = sum(1 for row in rows if not row.would_say)
    print(f"{both} the same, {only} only with these settings, {gone} said then and not with these")
    if not rows:
        print(f"No alert then, none with these settings (from {iso(since)}).")
