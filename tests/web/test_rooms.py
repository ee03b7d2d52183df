"""Every room and every deed of the page in a real browser, on the demo's data and on five years."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import depot
import years
from cheroot.wsgi import Server
from flask import Flask
from rooms import CODE, EVERY, MOST_MOVED, Watched, numbers, rooms
from test_technician import FINISHED, UNDER_WAY
from visited import OPEN, OXYGEN

from edge.model import iso
from edge.settings import Settings
from edge.store.requests import Box
from web import PLACES, access, create_app, stream

READER = "only to read 5"
MOST_OF_A_ROOM = 12


@contextmanager
def serving(app: Flask) -> Iterator[str]:
    server = Server(("127.0.0.1", 0), app, numthreads=4 + stream.MOST)
    server.prepare()
    thread = threading.Thread(target=server.serve)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.bind_addr[1]}"
    finally:
        app.extensions[PLACES].close()
        server.stop()
        thread.join(timeout=10.0)


@contextmanager
def technician(browser: Any, app: Flask, state: Path) -> Iterator[Watched]:
    """A browser that is signed in at the page of that site."""
    access.set_code(state, CODE)
    context = browser.new_context()
    try:
        with serving(app) as base:
            watched = Watched(context.new_page(), base)
            watched.sign_in()
            yield watched
            context.close()
    finally:
        (state / access.FILE).unlink()


def full(settings: Settings, runtime: Path, visit: Any = OPEN) -> dict[str, Any]:
    """The picture with most to show: two alerts, a hold test under way and one over, a visit, work
    going on."""
    said = depot.newest(settings, "act")
    said["picture"].update(
        {
            "hold_test": UNDER_WAY,
            "hold_tests": [UNDER_WAY, {**FINISHED, "asks_alarm": True}],
            "hold_refused": {"supply": "a hold test of this section is under way"},
            "visit": visit,
            "oxygen_sensor": {"still_pct": 20.7, "refused": "the reading did not stand still"},
            "calibrated": {"oxygen": OXYGEN},
            "working": {"by": "Ana Ruiz", "until": iso(depot.NOW + 3600.0)},
        }
    )
    depot.show(runtime, said)
    return said


def wrong_in_any(watched: Watched, app: Flask, state: Path, axe: list[tuple[str, int]]) -> str:
    found = rooms(app, numbers(state))
    assert {"/", "/history?span=year", "/records", "/monitor", "/site/alerts"} <= set(found)
    return "\n".join(wrong for path in found for wrong in watched.look(path, axe))


def test_no_room_of_the_demo_has_a_fault(demo_state: tuple[Settings, Path], chromium: Any) -> None:
    """On what the real daemon left: axe finds nothing in the dark on a wall and in the light on a phone, the console is silent, nothing is asked elsewhere, no width scrolls sideways."""
    settings, state = demo_state
    app = create_app(settings, state, state, lambda: depot.NOW + 2.0)
    assert app.test_client().get("/api/status").json["state"] == "watch"
    with technician(chromium, app, state) as watched:
        assert wrong_in_any(watched, app, state, [("dark", 1440), ("light", 320)]) == ""


def test_no_room_with_five_years_behind_it_has_a_fault(
    settings: Settings, long_ago: tuple[Path, years.Past], tmp_path: Path, chromium: Any
) -> None:
    """With five years, urgent alerts and hold tests: the same, in the light on a wall and in the dark on a phone."""
    state, _ = long_ago
    full(settings, tmp_path)
    app = create_app(settings, state, tmp_path, lambda: depot.NOW + 2.0)
    assert any("/records/" in path for path in rooms(app, numbers(state)))
    with technician(chromium, app, state) as watched:
        assert wrong_in_any(watched, app, state, [("light", 1440), ("dark", 320)]) == ""


def test_no_room_moves_by_itself_and_each_is_walked_by_keyboard(
    settings: Settings, long_ago: tuple[Path, years.Past], tmp_path: Path, chromium: Any
) -> None:
    """In every room, each at two of the widths and schemes in turn: nothing moves while it loads; and
    on a phone Tab goes through all that can be used in the order in which it stands, each with its
    focus in sight. All six are in `python -m tests.benchmarks rooms`."""
    state, _ = long_ago
    full(settings, tmp_path)
    app = create_app(settings, state, tmp_path, lambda: depot.NOW + 2.0)
    with technician(chromium, app, state) as watched:
        wrong = []
        for n, path in enumerate(rooms(app, numbers(state))):
            for scheme, width in (EVERY[n % len(EVERY)], EVERY[(n + 4) % len(EVERY)]):
                moved = watched.moved(path, scheme, width)
                if moved >= MOST_MOVED:
                    wrong.append(f"{path} at {width} in the {scheme} moves by {moved:.3f}")
            watched.page.set_viewport_size({"width": 375, "height": 667})
            wrong += watched.walked(path)
        assert wrong == [], "\n".join(wrong)


# --- deeds


def _alerts(watched: Watched) -> Any:
    watched.page.goto(f"{watched.base}/site/alerts")
    return watched.page


def end_work(watched: Watched) -> None:
    _alerts(watched).get_by_role("button", name="The work is done").click()


def acknowledge(watched: Watched) -> None:
    _alerts(watched).get_by_role("button", name="Acknowledge").first.click()


def shelve(watched: Watched) -> None:
    page = _alerts(watched)
    page.get_by_text("Shelve for a limited time").first.click()
    page.get_by_label("Why").first.fill("The pump house is being painted")
    page.get_by_label("For", exact=True).first.select_option("4h")
    page.get_by_role("button", name="Shelve").first.click()


def start(watched: Watched) -> None:
    page = watched.page
    page.goto(f"{watched.base}/site/test")
    page.locator("input[name=method][value='source shut off 4 h']").check()
    page.get_by_role("button", name="To the checklist").click()
    boxes = page.get_by_role("checkbox")
    for n in range(boxes.count()):
        boxes.nth(n).check()
    page.fill("#code", CODE)
    page.get_by_role("button", name="Start the hold test").click()


def stop(watched: Watched) -> None:
    watched.page.goto(f"{watched.base}/site/test/course?section=supply")
    watched.page.get_by_role("button", name="Stop the test now").click()


def tell_alarm(watched: Watched) -> None:
    watched.page.goto(f"{watched.base}/site/test/course?section=Freezer+aisles+1-6")
    watched.page.fill("#alarm-set", "26")
    watched.page.get_by_role("button", name="It did not operate").click()


def put_back(watched: Watched) -> None:
    page = watched.page
    page.goto(f"{watched.base}/site/test/course?section=Freezer+aisles+1-6")
    boxes = page.locator("#back input[type=checkbox]")
    for n in range(boxes.count()):
        boxes.nth(n).check()
    page.get_by_role("button", name="All is back").click()


def begin_visit(watched: Watched) -> None:
    watched.page.goto(f"{watched.base}/site/visit")
    watched.page.get_by_role("button", name="Begin a visit").click()


def answer_step(watched: Watched) -> None:
    page = watched.page
    page.goto(f"{watched.base}/site/visit/step?step=setpoints")
    page.get_by_label("Cut-in as set, psi").fill("thirty-eight")
    page.get_by_role("button", name="Done: conclude").click()
    page.get_by_text("expected a number, found").wait_for()
    assert all("400" in said for said in watched.wrong)  # the browser notes the refusal
    watched.wrong.clear()
    page.get_by_label("Cut-in as set, psi").fill("38")
    page.get_by_role("button", name="Done: conclude").click()


def sign_visit(watched: Watched) -> None:
    page = watched.page
    page.goto(f"{watched.base}/site/visit/sign")
    page.get_by_label("Owner or witness").fill("Owen Weir")
    page.fill("#code", CODE)
    page.get_by_role("button", name="Sign: make the record").click()


def calibrate(watched: Watched) -> None:
    page = watched.page
    page.goto(f"{watched.base}/site/calibrate")
    page.get_by_label("Temperature of the air, °F").fill("68")
    page.fill("#code", CODE)
    page.get_by_role("button", name="Calibrate now").click()


def record_work(watched: Watched) -> None:
    page = watched.page
    page.goto(f"{watched.base}/site/work")
    page.select_option("#work", "")
    page.get_by_label("Other work: what it was").fill("Drained the receiver")
    page.get_by_role("button", name="Sign and make the record").click()
    page.locator("[role=status]", has_text="Asked for").wait_for()


def measure_gas(watched: Watched) -> None:
    page = watched.page
    page.goto(f"{watched.base}/site/gas")
    page.select_option("#why", "measured")
    page.get_by_label("Oxygen, where measured").fill("4.2")
    page.get_by_role("button", name="Begin anew from there").click()
    page.locator("[role=status]", has_text="Asked for").wait_for()


def sign_out(watched: Watched) -> None:
    watched.page.get_by_role("button", name="Sign out").click()
    watched.page.get_by_role("heading", name="Sign in to read").wait_for()


def read(watched: Watched) -> None:
    watched.page.goto(f"{watched.base}/history?span=week")
    watched.page.get_by_label("Reader's code").fill(READER)
    watched.page.get_by_role("button", name="Read", exact=True).click()
    watched.page.wait_for_url("**/history?span=week")


def sign_in(watched: Watched) -> None:
    watched.sign_in(code="not the code")
    watched.page.get_by_text("That is not the access code").wait_for()
    assert all("401" in said for said in watched.wrong)  # the browser notes the refusal
    watched.wrong.clear()
    watched.sign_in()
    watched.page.get_by_role("heading", name="Technician's desk").wait_for()


DEEDS: dict[str, tuple[Callable[[Watched], None], tuple[str, dict[str, Any]] | None]] = {
    "/site/alerts/working": (end_work, ("working", {"for_s": 0.0})),
    "/site/alerts/acknowledge": (acknowledge, ("acknowledge", {"alert": "low_pressure"})),
    "/site/alerts/shelve": (
        shelve,
        ("shelve", {"for_s": 14400.0, "why": "The pump house is being painted"}),
    ),
    "/site/test/start": (start, ("hold_start", {"method": "source shut off 4 h"})),
    "/site/test/stop": (stop, ("hold_stop", {"section": "supply"})),
    "/site/test/alarm": (tell_alarm, ("hold_alarm", {"operated": False})),
    "/site/test/put-back": (put_back, ("hold_put_back", {"section": "Freezer aisles 1-6"})),
    "/site/visit/start": (begin_visit, ("visit_start", {})),
    "/site/visit/step": (answer_step, ("visit_answer", {"step": "setpoints"})),
    "/site/visit/sign": (sign_visit, ("visit_sign", {"witness": "Owen Weir"})),
    "/site/calibrate": (calibrate, ("calibrate", {"step": "oxygen_air"})),
    "/site/work": (record_work, ("work_done", {})),
    "/site/gas": (
        measure_gas,
        ("gas_restart", {"section": "supply", "why": "measured", "oxygen_pct": 4.2}),
    ),
    "/site/sign-out": (sign_out, None),
    "/sign-in": (read, None),
    "/site/sign-in": (sign_in, None),
}
"""How each deed is done by hand in a browser, and what the letterbox then holds. In this order."""


def test_every_deed_can_be_done_in_a_browser(
    settings: Settings, tmp_path: Path, chromium: Any
) -> None:
    """Whatever a form can be sent to is done by hand, and lies in the letterbox with who and from where."""
    depot.keep(tmp_path, settings, 0.02)
    full(settings, tmp_path, visit=None)
    access.set_code(tmp_path, READER, reader=True)
    behind = settings.page.model_copy(update={"reading": "code"})
    settings = settings.model_copy(update={"page": behind})
    app = create_app(settings, tmp_path, tmp_path, lambda: depot.NOW + 2.0)
    posts = {rule.rule for rule in app.url_map.iter_rules() if "POST" in (rule.methods or ())}
    assert posts == set(DEEDS), "say in DEEDS how it is done by hand"
    with technician(chromium, app, tmp_path) as watched:
        watched.sent.clear()
        for path, (do, wanted) in DEEDS.items():
            if path == "/site/visit/step":
                full(settings, tmp_path)  # what was asked for has come about
            do(watched)
            watched.page.wait_for_load_state()
            assert path in watched.sent
            if wanted is None:
                continue
            assert watched.page.locator("[role=status]").first.inner_text()
            box = Box(tmp_path, lambda: depot.NOW)
            request = box.waiting()[-1]
            box.close()
            assert (request.kind, request.by) == (wanted[0], "Ana Ruiz (127.0.0.1)")
            assert wanted[1].items() <= request.what.items()
        assert watched.wrong == []


def test_an_owner_finds_the_way_by_links_alone(
    settings: Settings, long_ago: tuple[Path, years.Past], tmp_path: Path, chromium: Any
) -> None:
    """From the first view every room for everyone, every span, five years of pages of the log and the sheet of a hold test are a click away."""
    state, _ = long_ago
    full(settings, tmp_path)
    app = create_app(settings, state, tmp_path, lambda: depot.NOW + 2.0)
    wanted = {path.partition("?")[0] for path in rooms(app, []) if not path.startswith("/site/")}
    context = chromium.new_context(java_script_enabled=False)
    with serving(app) as base:
        page = context.new_page()
        seen: dict[str, int] = {}  # how many addresses of each room
        found, left = set(), ["/"]
        while left:
            path = left.pop(0)
            room = path.partition("?")[0]
            # Pages of the log and stretches of the history lead ever on: some of them are enough.
            if path in found or seen.get(room, 0) >= MOST_OF_A_ROOM:
                continue
            if path.startswith("/site") and path != "/site":
                continue
            found.add(path)
            seen[room] = seen.get(room, 0) + 1
            answer = page.goto(base + path)
            assert answer is not None
            assert answer.status == 200, path
            links = page.eval_on_selector_all("a[href^='/']", "(a) => a.map((x) => x.href)")
            for link in links:
                to = str(link).removeprefix(base).partition("#")[0]
                kind = to.partition("?")[0]
                if not kind.startswith("/api/") and "." not in kind:
                    left.append(to)
        context.close()
    assert wanted <= set(seen) | {"/site/sign-in", "/sign-in"}, wanted - set(seen)
    assert {f"/history?span={span}" for span in ("day", "week", "month", "year")} <= found
    assert any(path.startswith("/records/") for path in found)
    assert any("before=" in path for path in found)
