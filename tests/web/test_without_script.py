"""The technician's forms in a browser that runs no script: a visit, a calibration and a piece of
work, each from its first form to the signed record, on the real daemon around the simulated plant.
"""

import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import depot
import pytest
from pypdf import PdfReader
from test_rooms import serving

from edge import latest
from edge.clock import ManualClock
from edge.daemon import Daemon
from edge.demo.hands import move
from edge.plant.plant import Plant
from edge.ports import Clock
from edge.sensors.bench import Bench
from edge.sensors.simulated import Stand
from edge.settings import load
from edge.store.read import Reader
from edge.wiring import daemon
from web import access, create_app

CODE = "cold hands 7"
EVERY_S = 10.0
SYSTEM = "Freezer aisles 1-6"
FILL = f"fill {SYSTEM}"


@dataclass
class Site:
    """A daemon that is ticked by hand, hands on the plant's valves, and a browser without script."""

    daemon: Daemon
    clock: ManualClock
    plant: Plant
    page: Any
    base: str
    state: Path
    said: dict[str, Any]
    hands: dict[str, str] = field(default_factory=lambda: {"device": "shut"})

    def put(self, **hands: str) -> None:
        self.hands |= hands
        move(self.plant, self.hands)

    def wait(self, seconds: float) -> None:
        until = self.clock.steady() + seconds
        while self.clock.steady() < until:
            self.daemon.tick()
            self.clock.wait_until(self.clock.steady() + EVERY_S)

    def until(self, what: Callable[[], Any], at_most_s: float = 12 * 3600.0) -> None:
        end = self.clock.steady() + at_most_s
        while not what():
            assert self.clock.steady() < end, self.picture()
            self.wait(EVERY_S)

    def picture(self) -> dict[str, Any]:
        return dict(self.said["picture"])

    def supply(self) -> dict[str, Any]:
        return dict(self.picture()["sections"]["supply"])

    def watch(self) -> dict[str, Any]:
        return dict(self.picture()["visit"]["watch"])

    def still_pct(self) -> float:
        """The oxygen reading where it stands still; else far from any."""
        return float(self.picture()["oxygen_sensor"]["still_pct"] or -1.0)

    def open(self, path: str) -> None:
        assert self.page.goto(f"{self.base}{path}").status == 200

    def press(self, name: str) -> None:
        """Send the form, and let the daemon take up what it asks for."""
        with self.page.expect_navigation():
            self.page.get_by_role("button", name=name).click()
        self.wait(2 * EVERY_S)

    def fill_in(self, values: Mapping[str, str | bool]) -> None:
        for key, value in values.items():
            where = self.page.locator(f"[name={key}]")
            if isinstance(value, bool):
                where.check()
            elif where.evaluate("one => one.tagName") == "SELECT":
                where.select_option(value)
            else:
                where.fill(value)

    def answer(self, step: str, values: Mapping[str, str | bool]) -> str:
        """What the page says once the step is concluded and the room loaded again."""
        self.open(f"/site/visit/step?step={step}")
        self.fill_in(values)
        self.press("onclude")
        self.open(f"/site/visit/step?step={step}")
        self.page.get_by_role("heading", name="Concluded").wait_for()
        return str(self.page.locator(".verdict").inner_text())


@pytest.fixture
def site(saltmarsh: Path, tmp_path: Path, chromium: Any) -> Iterator[Site]:
    """Signed in, on a plant that a visit is due at."""
    text = saltmarsh.read_text().replace('input = "simulated"', 'input = "simulated:visit"')
    keeping = f'\n[keeping]\nevery = "{EVERY_S:g} s"\nwrite_every = "1200 s"\n'
    (tmp_path / "site.toml").write_text(text + keeping)
    settings = load(tmp_path / "site.toml")
    access.set_code(tmp_path, CODE)
    clock = ManualClock(depot.NOW)
    stands: list[Stand] = []
    said: dict[str, Any] = {}

    def bench(time: Clock) -> Bench:
        made = Bench(steady=time.steady, utc=time.utc)
        name = "simulated:visit"
        stands.append(made.shared(name, lambda: Stand("visit", settings, made)))
        return made

    def show(path: Path, newest: Mapping[str, Any]) -> None:
        latest.write(path, newest)
        os.utime(path, (clock.utc(), clock.utc()))  # the page's clock is this one, too
        said.update(newest)

    app = create_app(settings, tmp_path, tmp_path, clock.utc)  # sessions last in real time
    context = chromium.new_context(
        viewport={"width": 390, "height": 800}, java_script_enabled=False
    )
    with (
        daemon(settings, tmp_path, tmp_path, clock=lambda _: clock, bench=bench, show=show) as made,
        serving(app) as base,
    ):
        site = Site(made, clock, stands[0].plant, context.new_page(), base, tmp_path, said)
        site.wait(60.0)
        site.open("/site/sign-in")
        site.fill_in({"who": "Ana Ruiz", "code": CODE})
        site.press("Sign in")
        site.open("/site/wiring")
        assert site.page.locator("noscript meta").count() == 1  # which is text where scripts run
        yield site
        context.close()
        made.stop()


def hold_test(site: Site) -> None:
    """The supply line's, from the step's own link to every valve put back."""
    page = site.page
    site.open("/site/visit/step?step=line_hold")
    page.get_by_role("link", name="To the hold test of the supply line").click()
    for box in page.get_by_role("checkbox").all():
        box.check()
    page.fill("#code", CODE)
    site.press("Start the hold test")
    site.until(lambda: "verdict" in (site.picture()["hold_tests"] or [{}])[-1])
    site.open("/site/test/course?section=supply")
    for box in page.locator("#back input[type=checkbox]").all():
        box.check()
    site.press("All is back")


def paper(site: Site) -> str:
    """The words of the PDF of the record that is open."""
    answered = site.page.request.get(f"{site.page.url}.pdf")
    assert answered.headers["content-type"] == "application/pdf"
    (site.state / "record.pdf").write_bytes(answered.body())
    return "".join(sheet.extract_text() for sheet in PdfReader(site.state / "record.pdf").pages)


def test_a_visit_needs_no_script(site: Site) -> None:
    """Begun, every step answered by a form, hold test and fill included, signed: the record has all fourteen chapters, none skipped, nothing found, and its chain holds."""
    site.open("/site/visit")
    site.press("Begin a visit")
    ready = {"station": True, "owner": True, "impairment": True, "watch": True}
    site.answer("readiness", {**ready, "report": "Test report 7 of 2026"})
    site.answer("valves", {"three_way": "nitrogen", "drains": "closed"})
    site.answer("setpoints", {"cut_in_kpa": "38", "cut_out_kpa": "52"})
    site.put(drain="cracked")
    site.until(lambda: site.supply()["running"])
    site.put(drain="closed")
    site.until(lambda: site.watch()["cut_out_kpa"])
    assert "Cut-out observed at 52" in site.answer("cycle", {})
    site.put(probe="open air")
    site.until(lambda: abs(site.still_pct() - 20.7) < 0.3)
    assert "Calibrated" in site.answer("oxygen_air", {"air_c": "68", "humidity_pct": "50"})
    site.put(probe="2 % gas", drain="a little")
    site.until(lambda: abs(site.still_pct() - 2.0) < 0.1)
    assert "Calibrated" in site.answer("oxygen_second", {"gas_pct": "2"})
    site.put(probe="the sample line")
    site.until(lambda: (site.supply()["purity"] or {}).get("valid_now"))
    site.answer("warm_up", {})
    site.until(lambda: abs(site.still_pct() - 1.45) < 0.1)
    assert "They agree" in site.answer("beside", {"oxygen_pct": "1.45"})
    flow = {"flow_l_min": "45", "meter": "reads standard flow", "report_l_min": "45"}
    assert "of the test report" in site.answer("production", flow)
    assert "leave the needle valve" in site.answer("purity", {})
    site.put(drain="closed", device="shut")
    hold_test(site)
    assert "The closed supply line holds" in site.answer("line_hold", {})

    site.put(bypass="bypass", device="open")
    site.open(f"/site/visit/step?step={FILL}")
    site.press("Begin the fill")
    site.until(lambda: site.watch()["fills"].get(SYSTEM, {}).get("stage") == "turn")
    site.open(f"/site/visit/step?step={FILL}")
    site.page.get_by_text("Turn the three-way valve to nitrogen now").wait_for()
    site.put(bypass="nitrogen", device="works")
    site.until(lambda: site.watch()["fills"][SYSTEM]["normal_s"])
    site.put(drain="cracked")  # so that the generator runs, and its gas is seen
    site.until(lambda: site.supply()["running"])
    site.put(drain="closed")
    site.until(lambda: site.watch()["fills"][SYSTEM]["stage"] == "proved")
    assert "the three-way valve is in nitrogen" in site.answer(FILL, {})
    site.put(vent="open")
    site.until(lambda: site.picture()["sections"][SYSTEM]["pressure_kpa"] < 206.0)
    site.put(vent="closed")
    site.until(lambda: site.picture()["sections"][SYSTEM]["pressure_kpa"] > 204.0)
    site.until(lambda: not site.supply()["running"])
    site.answer(
        "devices", {"three_way": "nitrogen", "drains": "closed", "device0": "open", "told": True}
    )

    site.open("/site/visit/sign")
    site.page.get_by_text("Nothing is wrong as it stands.").wait_for()
    site.fill_in({"witness": "Owen Weir", "code": CODE})
    site.press("Sign: make the record")
    site.open("/site/visit")
    site.page.get_by_role("link", name="The record, to print and keep").click()
    words = paper(site)
    for said in ("Ana Ruiz", "Owen Weir", "Supply line holds", "Cut-out observed"):
        assert said in words
    with Reader(site.state) as db:
        (record,) = db.records.all(("commissioning",), 5)
        assert db.records.chain().holds
    assert record["findings"] == []
    assert [one["name"] for one in record["signatures"]] == ["Ana Ruiz", "Owen Weir"]
    assert len(record["chapters"]) == 14
    assert [c["title"] for c in record["chapters"] if c["skipped"]] == []


def test_a_calibration_and_a_piece_of_work_need_no_script(site: Site) -> None:
    """The cell is set in air, where a wrong number is told beside what was typed; work done becomes a record, and a second one takes its place."""
    site.put(probe="open air")
    site.until(lambda: abs(site.still_pct() - 20.7) < 0.3)
    site.open("/site/calibrate")
    site.fill_in({"air_c": "warm", "humidity_pct": "50", "code": CODE})
    site.press("Calibrate now")
    assert "expected a number" in site.page.locator(".wrong").inner_text()
    assert site.page.locator("[name=humidity_pct]").input_value() == "50"
    site.fill_in({"air_c": "68", "code": CODE})
    site.press("Calibrate now")
    site.open("/site/calibrate")
    assert "by Ana Ruiz (127.0.0.1), in air" in site.page.locator("#course").inner_text()

    typed = {"other": "Drained the receiver", "done_by": "Ben Ode", "role": "licence 12"}
    for notes in ("half a litre", "a litre and a half"):
        site.open("/site/work")
        site.fill_in({"work": "", **typed, "notes": notes})
        site.fill_in({"readings": "gauge at the riser = 38 psi ± 0.5, test gauge 7"})
        if notes != "half a litre":
            site.page.select_option("#supersedes", index=1)
        site.press("Sign and make the record")
    site.open("/records")
    site.page.get_by_role("link").filter(has_text="2026-03-06").first.click()
    text = site.page.locator("main").inner_text()
    for said in ("Drained the receiver", "Ben Ode", "a litre and a half", "Supersedes record"):
        assert said in text
    assert "a litre and a half" in paper(site)
    with Reader(site.state) as db:
        work = [r for r in db.records.all(("periodic",), 5) if "receiver" in r["title"]]
        assert [record["superseded_by"] is None for record in work] == [True, False]
        assert db.records.chain().holds
