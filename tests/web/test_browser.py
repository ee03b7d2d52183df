"""The page in a real browser: what people see, and that nothing leaves the site."""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import depot
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import TimeoutError
from rooms import FITS, FLAGS, SETTLES_MS

ROOMS = ["/", "/history?span=week", "/log?show=all", "/how", "/gas", "/monitor", "/api", "/label"]
FIRST_VIEW_BYTES = 60_000


@dataclass
class Seen:
    """A page with everything it asked for and complained about."""

    page: Any
    base: str
    complaints: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    answers: list[Any] = field(default_factory=list)

    def quiet(self) -> None:
        """No complaint on the console, and no request to anywhere else."""
        assert self.complaints == []
        assert [u for u in self.asked if not u.startswith(self.base + "/")] == []


@pytest.fixture
def look(chromium: Any, served: str) -> Iterator[Callable[..., Seen]]:
    """Opens a room of the page in a new, empty context."""
    contexts = []

    def open_(path: str = "/", width: int = 1440, height: int = 900, **how: Any) -> Seen:
        context = chromium.new_context(viewport={"width": width, "height": height}, **how)
        contexts.append(context)
        seen = Seen(context.new_page(), served)
        seen.page.on(
            "console",
            lambda m: seen.complaints.append(m.text) if m.type in ("error", "warning") else None,
        )
        seen.page.on("pageerror", lambda e: seen.complaints.append(str(e)))
        seen.page.on("request", lambda r: seen.asked.append(r.url))
        seen.page.on("response", lambda r: seen.answers.append(r))
        seen.page.goto(served + path)
        return seen

    yield open_
    for context in contexts:
        context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("state", ["holding", "watch", "blind"])
def test_axe_finds_nothing_in_any_state(
    site: Any, look: Callable[..., Seen], state: str, scheme: str
) -> None:
    """Every state's colours have contrast enough, in light and in dark."""
    site.say(state, demo={"speed": 60})
    result = Axe().run(look(color_scheme=scheme).page)
    assert result.violations_count == 0, result.generate_report()


@pytest.mark.parametrize("script", [True, False])
@pytest.mark.parametrize("state", ["holding", "watch", "act", "blind"])
def test_a_phone_shows_the_sentence_without_scrolling(
    site: Any, look: Callable[..., Seen], state: str, script: bool
) -> None:
    """At 320 by 568 the word, the shape, the reason, what to do and the data's age are in sight."""
    site.say(state)
    page = look(width=320, height=568, java_script_enabled=script).page
    for what in ("#state h1", "#state .shape", "#state .reason", "#state .todo", "#age-text"):
        box = page.locator(what).bounding_box()
        assert box is not None, what
        assert box["x"] >= 0.0, what
        assert box["x"] + box["width"] <= 320.0, what
        assert box["y"] >= 0.0, what
        assert box["y"] + box["height"] <= 568.0, what
    assert page.locator("#state h1").inner_text().startswith(state.capitalize())


def test_the_states_differ_without_colour(site: Any, look: Callable[..., Seen]) -> None:
    """Four states, four words and four shapes."""
    found = set()
    for state in ("holding", "watch", "act", "blind"):
        site.say(state)
        page = look().page
        word = page.locator("#state h1").inner_text()
        found.add((word.split()[0], page.locator("#state .shape").inner_html()))
    assert len({word for word, _ in found}) == len({shape for _, shape in found}) == 4


def test_the_first_view_is_light(site: Any, look: Callable[..., Seen]) -> None:
    """Everything that the first view loads is under 60 kB, even unsqueezed: what makes the chart one
    to point at comes when it is pointed at."""
    site.say("act")
    seen = look()
    seen.page.wait_for_load_state("load")
    answers = [a for a in seen.answers if not a.url.endswith("/stream")]
    parts = {a.url.removeprefix(seen.base): len(a.body()) for a in answers}
    kinds = {name.partition("?")[0] for name in parts}
    assert {"/", "/static/page.css", "/static/page.js"} <= kinds
    assert not any("uplot" in name for name in kinds)
    assert sum(parts.values()) < FIRST_VIEW_BYTES, parts


def test_the_script_takes_the_ribbon_over_in_place(look: Callable[..., Seen]) -> None:
    """The chart becomes one to point at, nothing moves, and the server's picture stays for print."""
    seen = look(java_script_enabled=True)
    page = seen.page
    page.locator("#ribbon").hover()
    page.wait_for_selector("#ribbon.drawn canvas")
    shift = page.evaluate(
        """() => new Promise((done) => {
             let sum = 0;
             new PerformanceObserver((list) => list.getEntries().forEach((e) => { sum += e.value; }))
               .observe({ type: "layout-shift", buffered: true });
             requestAnimationFrame(() => requestAnimationFrame(() => done(sum)));
           })"""
    )
    assert shift == 0
    box = page.locator("#ribbon").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.9, box["y"] + 50)
    page.wait_for_function("document.getElementById('readout').textContent.includes('psi')")
    page.emulate_media(media="print")
    assert page.locator("#ribbon .chart").is_visible()
    assert not page.locator("#ribbon .uplot").is_visible()
    seen.quiet()


def test_an_open_page_follows_the_site(site: Any, look: Callable[..., Seen]) -> None:
    """What the daemon writes next is on the page without loading it again, open details stay open."""
    site.say("watch")
    seen = look()
    page = seen.page
    page.locator(".note summary").click()
    site.say("act")
    page.wait_for_selector("#state.act", timeout=20_000)
    assert page.locator("#state h1").inner_text().startswith("Act")
    assert page.locator(".note").count() == 2
    assert page.locator("#why-supply-leak_growth-").get_attribute("open") is not None
    assert page.title().startswith("Act")
    assert page.evaluate("document.body.className") == "act"
    seen.quiet()


def test_an_open_pages_chart_follows_in_words_too(site: Any, look: Callable[..., Seen]) -> None:
    """Text and table behind the chart are renewed with it, here in a demo whose time runs fast."""
    site.say("holding", demo={"speed": 60})
    seen = look()
    seen.page.locator("figure summary").click()
    first = seen.page.locator("#pressure-table tbody th").first.inner_text()
    before = seen.page.locator("#pressure-text").inner_text()
    site.said = depot.newest(site.settings, at=depot.NOW + 3 * 3600.0)
    site.said["monitor"]["demo"] = {"speed": 60}
    site.write()
    seen.page.wait_for_function(
        "text => document.getElementById('pressure-text').innerText !== text",
        arg=before,
        timeout=20_000,
    )
    assert seen.page.locator("#pressure-table tbody th").first.inner_text() != first
    assert seen.page.locator("#ribbon > svg").count() == 1
    seen.quiet()


def test_an_open_page_says_by_itself_that_data_stopped(
    site: Any, look: Callable[..., Seen]
) -> None:
    """When the daemon stops, the page turns blind; when it is back, so is the state."""
    seen = look()
    site.now += 100.0
    seen.page.wait_for_selector("#state.blind", timeout=20_000)
    assert "the monitor has stopped" in seen.page.locator("#state .reason").inner_text()
    site.now -= 100.0
    seen.page.wait_for_selector("#state.holding", timeout=20_000)
    seen.quiet()


def test_an_open_page_notices_that_nobody_answers(look: Callable[..., Seen]) -> None:
    """With the page's own server gone, the script alone turns the page blind; time is run on."""
    seen = look()
    page = seen.page
    page.context.set_offline(True)
    # The browser's stopwatch is run on instead of waiting.
    page.evaluate("{ const far = performance.now() + 60000; performance.now = () => far; }")
    page.wait_for_selector("#state.blind", timeout=20_000)
    assert "no longer gets new data" in page.locator("#state .reason").inner_text()
    assert page.title().startswith("Blind")
    assert page.locator("#age-text").inner_text().replace("\N{NO-BREAK SPACE}", " ") == "1 min old"
    assert page.locator(".figure:not(.past)").count() == 0
    assert all("ERR_INTERNET_DISCONNECTED" in c for c in seen.complaints)


def test_a_keyboard_reaches_everything(look: Callable[..., Seen]) -> None:
    """From the first Tab, which offers to skip to the content, every link and table is reached."""
    page = look().page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    wanted = page.evaluate(
        """[...document.querySelectorAll('a[href], summary, [tabindex="0"]')]
             .filter((e) => e.checkVisibility({ contentVisibilityAuto: true })).length"""
    )
    reached = 1
    while page.evaluate("document.activeElement !== document.body") and reached <= wanted + 5:
        page.keyboard.press("Tab")
        reached += page.evaluate("document.activeElement !== document.body")
    assert reached == wanted


def test_the_demo_says_that_it_is_one(site: Any, look: Callable[..., Seen]) -> None:
    """A simulated plant in fast time can never be taken for a real site."""
    site.say("holding", demo={"speed": 60})
    for path in ROOMS:
        words = look(path).page.locator(".demo").inner_text()
        assert "not a real site" in words
        assert "60 times faster" in words


def test_drawing_across_the_chart_looks_closer(look: Callable[..., Seen]) -> None:
    """With script, a stroke across a part of the history opens that part, and it stands still."""
    seen = look("/history?span=day")
    page = seen.page
    page.wait_for_selector("#ribbon.drawn")
    box = page.locator("#ribbon").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + 60, steps=5)
    page.mouse.up()
    page.wait_for_url("**/history?from=*")
    page.wait_for_selector("#ribbon.drawn")
    assert page.locator("#ribbon").get_attribute("data-still") == "1"
    assert page.locator("#pressure-table tbody tr").count() in (6, 7)
    seen.quiet()


def test_forced_colours_leave_nothing_unsaid(site: Any, look: Callable[..., Seen]) -> None:
    """With the system's own colours the current room is still marked, the chart's key still has its colours, and the state its shape."""
    site.say("act")
    page = look(forced_colors="active").page
    found = page.evaluate(
        """() => {
             const style = (s) => getComputedStyle(document.querySelector(s));
             return {
               here: style(".rooms [aria-current]").borderBottomColor,
               other: style(".rooms a:not([aria-current])").borderBottomColor,
               canvas: style("body").backgroundColor,
               paper: style("html").backgroundColor,
               key: style(".k-run").backgroundColor,
               shape: style(".shape .body").stroke,
             };
           }"""
    )
    assert found["other"] == found["paper"] != found["here"]
    assert found["key"] not in (found["paper"], found["canvas"])
    assert found["shape"] != found["paper"]


def test_letters_twice_as_large_lose_nothing(
    chromium: Any, needs: Callable[[str], str], tmp_path: Path, site: Any, served: str
) -> None:
    """With the browser's letters at 200 % no room for everyone scrolls sideways, on a desk or on a small phone (WCAG 2.2, 1.4.4 and beyond, from memory)."""
    site.say("act")
    (tmp_path / "Default").mkdir()
    sizes = {"default_font_size": 32, "default_fixed_font_size": 32}
    (tmp_path / "Default" / "Preferences").write_text(json.dumps({"webkit": {"webprefs": sizes}}))
    wide = []
    context = chromium.browser_type.launch_persistent_context(
        str(tmp_path), executable_path=needs("chromium"), args=FLAGS
    )
    page = context.new_page()
    for room in [*ROOMS, "/records", "/week", "/work"]:
        page.goto(served + room)
        assert page.evaluate("getComputedStyle(document.documentElement).fontSize") == "32px"
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        for width in (1280, 320):
            page.set_viewport_size({"width": width, "height": 800})
            try:  # a chart takes its new width a moment after its place
                page.wait_for_function(FITS, timeout=SETTLES_MS)
            except TimeoutError:
                wide.append((room, width))
    context.close()
    assert wide == []
