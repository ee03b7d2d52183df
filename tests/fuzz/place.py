"""Sites to feed: settings, a state folder with some history, and the newest picture."""

import json
from collections.abc import Sequence
from pathlib import Path

from edge.judge import Judge
from edge.latest import Latest
from edge.model import SUPPLY, Event, Reading, Request, Status, Tick, on_grid
from edge.settings import Settings, load
from edge.store.write import Writer

HOUSE = Path(__file__).parents[2]
EXAMPLE = HOUSE / "edge" / "saltmarsh.toml"
NOW = 1.79e9


def place(folder: Path) -> tuple[Settings, Path, Path]:
    """A site with an empty history."""
    settings, state, runtime = load(EXAMPLE), folder / "state", folder / "run"
    state.mkdir(parents=True)
    runtime.mkdir()
    Writer(state, settings, []).close()
    return settings, state, runtime


def picture(settings: Settings, judge: Judge | None = None) -> bytes:
    """latest.json as the daemon would write it, ten minutes later, at NOW."""
    began = 0.0 if judge is None else 7200.0
    judge, latest = judge or Judge(settings), Latest()
    values = tuple(on_grid(300.0) for _ in settings.channel)
    readings = [Reading(c.name, c.quantity, 300.0, Status.GOOD) for c in settings.channel]
    for n in range(600):
        tick = Tick(began + n, NOW - 600.0 - began, values)
        judge.look(tick)
        latest.see(tick, readings)
    monitor = {"not_kept": None, "readings_lost": 0, "events_lost": 0, "messengers": {}}
    said = latest.compose(tick, readings, NOW, judge.picture(), monitor)
    return json.dumps(said).encode()


def kept_record(settings: Settings, folder: Path, messengers: Sequence[str] = ()) -> Judge:
    """Puts two hours into a state folder: a hold test that ended, an alert, and a record of work
    done. Returns the judge that saw them."""
    judge = Judge(settings)
    writer = Writer(folder, settings, messengers)
    kinds = {"pressure": 300.0, "oxygen": 1.5, "running": 0.0, "temperature": 18.0}
    seen: list[Tick] = []
    events: list[Event] = []
    asked = {
        60: ("hold_start", {"section": SUPPLY, "method": "supply line", "note": "x"}),
        5400: ("hold_stop", {"section": SUPPLY}),
        5700: ("work_done", {"work": "drain the low points", "section": SUPPLY, "done_by": "Ana",
                             "done_at": "2026-03-01T12:00:00+00:00", "role": "did the work",
                             "readings": [{"what": "gauge", "text": "38 psi", "source": "Ana"}],
                             "findings": ["rust"], "notes": "n", "supersedes": None}),
    }  # fmt: skip
    for n in range(0, 7200, 10):
        values = tuple(on_grid(kinds[c.quantity] - n * 0.004) for c in settings.channel)
        posted = (Request(n + 1, asked[n][0], "Ana", asked[n][1]),) if n in asked else ()
        tick = Tick(float(n), NOW - 7800.0, values, requests=posted)
        events += judge.look(tick)
        seen.append(tick)
    writer.keep(seen, events, judge.state())
    writer.close()
    return judge
