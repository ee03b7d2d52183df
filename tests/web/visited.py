"""A visit half done, as the daemon shows it: made by a real judge on the simulated plant."""

from typing import Any

from edge.model import iso
from tests.visit.technician import FILL, SYSTEM, Technician


def _half_done() -> dict[str, Any]:
    """Something wrong, something skipped, and a fill under way."""
    t = Technician(step_s=5.0)
    t.wait(60.0)
    t.ask("visit_start")
    t.answer("readiness", {"station": True})
    t.answer("valves", {"three_way": "bypass"})
    t.ask("visit_skip", step="oxygen_second", why="no gas at hand")
    t.put(needle="1.5")
    t.warm(2400.0)
    t.answer("purity")
    t.put(bypass="bypass", device="open")
    t.answer(FILL, {"normal_kpa": 206.8}, phase="begin")
    t.until(lambda: t.judge.visit.watch.fills[SYSTEM]["stage"] == "turn")
    picture: dict[str, Any] = t.judge.picture()["visit"]
    return picture


OPEN = _half_done()
OXYGEN = {"at": iso(1.79e9), "by": "Ana Ruiz", "point": "air", "output_rel": 0.93, "gain": 1.075}
