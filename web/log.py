"""What happened, in rows: events in one word or two, and what the log can be narrowed to. Pure."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from edge.advice import name_of
from web.named import section_name
from web.shown import Local, Moment, parse_time
from web.stretches import Event

KINDS: Mapping[str, str] = {
    "alert_raised": "Alert",
    "alert_explained": "Cause found",
    "alert_attached": "Also seen",
    "alert_cleared": "Alert over",
    "alert_acknowledged": "Acknowledged",
    "alert_shelved": "Shelved",
    "cut_in": "Cut-in",
    "cut_out": "Cut-out",
    "run_measured": "Run",
    "idle_measured": "Rest",
    "purity_measured": "Purity",
    "hold_test_started": "Hold test",
    "hold_test_finished": "Hold test",
    "valves_put_back": "Valves back",
    "inerting_restarted": "Gas starts again",
    "inerting_reached": "Gas at target",
    "channel_failed": "Channel",
    "channel_recovered": "Channel",
    "monitor_started": "Monitor",
    "monitor_stopped": "Monitor",
    "clock_stepped": "Clock",
}
"""Each kind of event in one word or two."""

LOGS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "alerts": (
        "Alerts",
        (
            "alert_raised",
            "alert_explained",
            "alert_attached",
            "alert_cleared",
            "alert_acknowledged",
            "alert_shelved",
        ),
    ),
    "tests": ("Hold tests", ("hold_test_started", "hold_test_finished", "valves_put_back")),
    "gas": ("Gas in the pipe", ("inerting_restarted", "inerting_reached")),
    "cycles": ("Cycles", ("cut_in", "cut_out", "run_measured", "idle_measured", "purity_measured")),
    "monitor": (
        "Monitor",
        (
            "channel_failed",
            "channel_recovered",
            "monitor_started",
            "monitor_stopped",
            "clock_stepped",
        ),
    ),
    "all": ("Everything", ()),
}
"""What the log can be narrowed to: a label, and the kinds (none: all)."""


class LogRow(NamedTuple):
    when: Moment
    kind: str
    key: str
    section: str
    text: str


def log_rows(events: Sequence[Event], local: Local) -> tuple[LogRow, ...]:
    return tuple(
        LogRow(
            local.moment(parse_time(e["at"])),
            KINDS.get(e["kind"], name_of(e["kind"])),
            f"{e['kind']} {e.get('priority', '')}".strip().replace("_", "-"),
            section_name(e["section"]) if e.get("section") else "",
            e["text"],
        )
        for e in events
    )
