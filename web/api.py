"""The machine-readable side: what may be asked, and what is answered. Pure but for the one file.

Values are in the units inside (kPa, %, °C, V); names carry them, as in the events contract.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any, NamedTuple

from edge.model import QUANTITIES, iso
from edge.settings import Settings
from edge.store.curves import Ribbon
from web.gauge import gauges
from web.present import FirstView
from web.shown import parse_time

MOST_POINTS = 5_000
EARLIEST = -62_135_596_800.0  # 0001-01-01T00:00:00Z: no time can be written that is earlier

ENDPOINTS: Sequence[tuple[str, str]] = (
    ("/api/status", "state, channels, figures and open alerts, as JSON"),
    ("/api/readings", "one or more channels over time, as JSON"),
    ("/api/events", "what happened, as JSON"),
    ("/api/tests", "hold tests, as JSON"),
    ("/api", "the description of all these, for people"),
    ("/api/openapi.json", "the description of all these, OpenAPI"),
    ("/api/asyncapi.yaml", "what brokers are told, AsyncAPI"),
    ("/metrics", "the present figures, Prometheus text format"),
    ("/healthz", "whether the monitor is alive"),
)


HEAVY_S = 366 * 86400.0


class Refused(ValueError):
    """A question that cannot be answered as asked; its text says what was expected."""


def description(settings: Settings) -> dict[str, Any]:
    """The OpenAPI document of one site: it names the channels and sections that may be asked for."""
    text = resources.files("web").joinpath("openapi.json").read_text(encoding="utf-8")
    document: dict[str, Any] = json.loads(text)
    for given in document["paths"]["/api/readings"]["get"]["parameters"]:
        if given["name"] == "channel":
            given["schema"]["items"]["enum"] = [c.name for c in settings.channel]
    for given in document["paths"]["/api/ribbon"]["get"]["parameters"]:
        if given["name"] == "section":
            given["schema"]["enum"] = list(gauges(settings))
    return document


class Asked(NamedTuple):
    """One thing that may be asked for with a question."""

    name: str
    kind: str
    meaning: str


class Question(NamedTuple):
    """One address of the API, for people."""

    path: str
    summary: str
    answers: str
    asks: tuple[Asked, ...]


def questions(document: Mapping[str, Any]) -> tuple[Question, ...]:
    """What the OpenAPI document says, without its schemas."""
    out = []
    for path, methods in document["paths"].items():
        get = methods["get"]
        asks = []
        for one in get.get("parameters") or ():
            schema = one["schema"]
            many = schema["type"] == "array"
            inner = schema["items"] if many else schema
            kind = inner.get("format") or inner["type"]
            if "enum" in inner:
                kind = " or ".join(inner["enum"])
            asks.append(
                Asked(one["name"], f"{kind}, repeated" if many else kind, one["description"])
            )
        content = get["responses"]["200"]["content"]
        out.append(Question(path, get["summary"], " or ".join(content), tuple(asks)))
    return tuple(out)


def _time(args: Mapping[str, str], name: str) -> float | None:
    text = args.get(name)
    if text is None:
        return None
    try:
        # A plus sign in an address is a blank by the time it arrives.
        asked = parse_time(text.replace(" ", "+"))
        iso(asked)
    except (ValueError, OverflowError) as error:
        raise Refused(f"{name}: expected ISO 8601 with Z or an offset, found {text!r}") from error
    return asked


def _whole(args: Mapping[str, str], name: str, default: int, most: int) -> int:
    text = args.get(name)
    if text is None:
        return default
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= most:
        raise Refused(f"{name}: expected 1 to {most}, found {text!r}")
    return int(text)


@dataclass(frozen=True, slots=True)
class AskedReadings:
    channels: tuple[str, ...]
    since: float
    until: float
    points: int

    @property
    def heavy(self) -> bool:
        """Whether the answer takes long: more than a year, the channels taken together."""
        return (self.until - self.since) * len(self.channels) > HEAVY_S


def asked_readings(args: Any, settings: Settings, now: float) -> AskedReadings:
    """`args` as Flask gives them (get, getlist). Refused for what cannot be answered."""
    names = tuple(c.name for c in settings.channel)
    wanted = tuple(dict.fromkeys(args.getlist("channel"))) or names
    for name in wanted:
        if name not in names:
            raise Refused(f"channel: expected one of {', '.join(names)}, found {name!r}")
    until = _time(args, "until")
    until = now if until is None else until
    since = _time(args, "since")
    since = max(until - 86400.0, EARLIEST) if since is None else since
    if since >= until:
        raise Refused("since: expected a time before until")
    return AskedReadings(wanted, since, until, _whole(args, "points", 500, MOST_POINTS))


def readings(
    asked: AskedReadings, found: Mapping[str, Ribbon], settings: Settings
) -> dict[str, Any]:
    """Each point is [start of its step, readings in it, lowest, mean, highest]; gaps are absent."""
    quantity = {c.name: c.quantity for c in settings.channel}
    return {
        "since": iso(asked.since),
        "until": iso(asked.until),
        "channels": {
            name: {
                "quantity": quantity[name],
                "unit": QUANTITIES[quantity[name]].unit,
                "step_s": ribbon.step_s,
                "points": [
                    [iso(p.at), p.n, round(p.low, 4), round(p.mean, 4), round(p.high, 4)]
                    for p in ribbon.points
                ],
            }
            for name, ribbon in found.items()
        },
    }


@dataclass(frozen=True, slots=True)
class AskedEvents:
    kinds: tuple[str, ...]
    since: float | None
    until: float | None
    before: int | None
    limit: int


def asked_events(args: Any) -> AskedEvents:
    """`args` as Flask gives them (get, getlist). Refused for what cannot be answered."""
    before = None if args.get("before") is None else _whole(args, "before", 1, 2**62)
    return AskedEvents(
        tuple(args.getlist("kind")),
        _time(args, "since"),
        _time(args, "until"),
        before,
        _whole(args, "limit", 100, 1000),
    )


def _paged(asked: AskedEvents, found: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """`next` is what to give as `before` for the older ones; null where there are none."""
    return {"next": found[-1]["n"] if len(found) == asked.limit else None}


def events(asked: AskedEvents, found: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {"events": [_bare(e) for e in found], **_paged(asked, found)}


def tests(asked: AskedEvents, found: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {"tests": [_bare(e) for e in found], **_paged(asked, found)}


def _bare(event: Mapping[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in event.items() if k != "n"}


def status(latest: Mapping[str, Any] | None, view: FirstView, settings: Settings) -> dict[str, Any]:
    """The state as the page shows it, with the picture as the daemon wrote it beneath."""
    seen = view.seen
    picture = {} if latest is None else latest["picture"]
    return {
        "site": {
            "id": settings.site.id,
            "name": settings.site.name,
            "time_zone": settings.site.time_zone,
        },
        "state": view.state.key,
        "reason": view.state.reason,
        "todo": view.state.todo,
        "fresh": seen.fresh,
        "age_s": None if seen.age_s is None else round(seen.age_s, 3),
        "at": None if latest is None else latest["at"],
        "written_at": None if latest is None else latest["written_at"],
        "demo_speed": None if seen.speed == 1.0 else seen.speed,
        "channels": {} if latest is None else latest["channels"],
        "sections": picture.get("sections") or {},
        "alerts": picture.get("alerts") or [],
        "not_judged": picture.get("not_judged") or [],
        "hold_test": picture.get("hold_test"),
        "monitor": {} if latest is None else latest.get("monitor") or {},
    }


def health(view: FirstView, database: str | None) -> dict[str, Any]:
    """`database` is what kept it from being read, None for nothing."""
    faults = []
    if not view.seen.fresh:
        faults.append(view.state.reason)
    if database is not None:
        faults.append(database)
    return {"status": "failing" if faults else "ok", "faults": faults}
