"""Every room of the page in a real browser: found from the app's own routes, and what is wrong with
any of them. For the tests, which look at each once, and for `python -m tests.benchmarks rooms`,
which looks at each in every width and scheme and keeps pictures."""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from flask import Flask
from playwright.sync_api import TimeoutError

from edge.clock import ManualClock
from edge.settings import Settings, load
from edge.store.read import Reader
from edge.wiring import daemon

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
"""How the browser is started: no request of its own leaves the machine."""
WIDTHS = (320, 768, 1440)
HEIGHTS = {320: 568, 768: 1024, 1440: 900}
SCHEMES = ("light", "dark")
CODE = "cold hands 7"
FITS = "() => document.documentElement.scrollWidth <= innerWidth"  # as a function: no eval
EVERY = tuple((scheme, width) for scheme in SCHEMES for width in WIDTHS)
SETTLES_MS = 3000
MOST_MOVED = 0.02  # "good" is up to 0.1 (web.dev, Core Web Vitals, from memory); ours is none
SHIFTED = """() => new Promise((done) => {
  let sum = 0;
  new PerformanceObserver((list) => list.getEntries().forEach((e) => { sum += e.value; }))
    .observe({ type: "layout-shift", buffered: true });
  const frames = (n) => n ? requestAnimationFrame(() => frames(n - 1)) : done(sum);
  frames(20);
})"""
STOPS = """() => {
  // Of radio buttons of one name the keyboard stops at one.
  const names = new Set();
  window.stops = [...document.querySelectorAll(
    'a[href], summary, button, input:not([type=hidden]), select, textarea, [tabindex="0"]')]
    .filter((e) => e.checkVisibility() && !e.disabled)
    .filter((e) => {
      if (e.type !== "radio") return true;
      const group = [...document.querySelectorAll(`input[name="${e.name}"]`)];
      if (group.some((r) => r.checked)) return e.checked;
      const first = !names.has(e.name);
      names.add(e.name);
      return first;
    });
  return window.stops.length;
}"""
HERE = """() => {
  const e = document.activeElement, s = getComputedStyle(e);
  const box = e.getBoundingClientRect();
  return {
    place: window.stops.indexOf(e),
    parted: e.type === "date",
    what: e.outerHTML.slice(0, 90),
    seen: (s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2) && box.width > 0
      && box.bottom > 0 && box.top < innerHeight,
  };
}"""

LOOKS: dict[str, tuple[str, ...]] = {
    "/favicon.ico": (),
    "/records/made/<int(max=4294967295):seq>": (),
    "/records/made/<int(max=4294967295):seq>.csv": (),
    "/records/made/<int(max=4294967295):seq>.json": (),
    "/records/made/<int(max=4294967295):seq>.pdf": (),
    "/icon-<int:size>.png": (),
    "/history": (
        *(f"/history?span={span}" for span in ("day", "week", "month", "year")),
        "/history?section=Freezer%20aisles%201-6",
    ),
    "/log": tuple(f"/log?show={key}" for key in ("alerts", "tests", "cycles", "monitor", "all")),
    "/site/visit/step": (
        "/site/visit/step?step=purity",
        "/site/visit/step?step=fill%20Freezer%20aisles%201-6",
    ),
    "/site/test/checklist": ("/site/test/checklist?section=supply&method=source+shut+off+4+h",),
    **dict.fromkeys(
        (
            f"/records/made/<int(max=4294967295):seq>{kind}"
            for kind in ("", ".pdf", ".json", ".csv")
        ),
        (),  # the demo's site makes none in this time: tests/web/test_sheet.py looks at them
    ),
    "/site/test/course": (
        "/site/test/course?section=supply",
        "/site/test/course?section=Freezer%20aisles%201-6",
    ),
}
"""Rooms that want to be seen in more ways than their bare address. A room without a parameter in
its address is found by itself; one with a parameter other than `number` must be told of here, and
one that is no room has no way to be seen."""


def rooms(app: Flask, numbers: Iterable[int]) -> list[str]:
    """An address of every route that answers GET with a page, in order; `numbers` are of records.

    KeyError for a route whose address nobody has told.
    """
    client = app.test_client()
    found: list[str] = []
    for rule in sorted(app.url_map.iter_rules(), key=lambda r: r.rule):
        if "GET" not in (rule.methods or ()) or rule.endpoint == "static":
            continue
        if rule.rule in LOOKS:
            paths: Sequence[str] = LOOKS[rule.rule]
        elif not rule.arguments:
            paths = (rule.rule,)
        elif rule.arguments == {"number"}:
            paths = [re.sub(r"<[^>]*>", str(n), rule.rule) for n in numbers]
        else:
            raise KeyError(f"{rule.rule}: tell in LOOKS of tests/web/rooms.py how to see it")
        for path in paths:
            answer = client.get(path)
            # What only signed-in people see leads to the sign-in first.
            page = answer.mimetype == "text/html"
            if page and (answer.status_code == 303 or b"<!doctype html>" in answer.data):
                found.append(path)
            answer.close()
    return found


def numbers(state: Path) -> list[int]:
    """The newest kept hold test, if there is one."""
    with Reader(state) as db:
        return [test["n"] for test in db.tests(1)]


@dataclass
class Watched:
    """A page of the browser, and everything it complained of or asked for."""

    page: Any
    base: str
    wrong: list[str] = field(default_factory=list)
    sent: set[str] = field(default_factory=set)  # addresses that forms were sent to

    def __post_init__(self) -> None:
        self.page.on("console", self._said)
        self.page.on("pageerror", lambda error: self.wrong.append(f"{self._at} {error}"))
        self.page.on("request", self._asked)

    @property
    def _at(self) -> str:
        return str(self.page.url).removeprefix(self.base)

    def _said(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.wrong.append(f"{self._at} says: {message.text}")

    def _asked(self, request: Any) -> None:
        if not request.url.startswith((self.base + "/", "data:")):
            self.wrong.append(f"{self._at} asked elsewhere: {request.url}")
        if request.method == "POST":
            self.sent.add(request.url.removeprefix(self.base))

    def sign_in(self, who: str = "Ana Ruiz", code: str = CODE) -> None:
        self.page.goto(f"{self.base}/site")
        self.page.fill("#who", who)
        self.page.fill("#code", code)
        self.page.get_by_role("button", name="Sign in").click()

    def look(
        self,
        path: str,
        axe: Sequence[tuple[str, int]],
        pictures: Path | None = None,
    ) -> Iterator[str]:
        """What is wrong with a room at every width, everything that folds unfolded; axe is run in
        the named schemes and widths."""
        answer = self.page.goto(self.base + path)
        if answer is None or answer.status != 200:
            yield f"{path} answered {answer and answer.status}"
        self.page.evaluate(
            "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
        )
        for scheme in SCHEMES:
            self.page.emulate_media(color_scheme=scheme)
            for width in WIDTHS:
                if pictures is None and (scheme, width) not in axe and scheme != "light":
                    continue
                self.page.set_viewport_size({"width": width, "height": HEIGHTS[width]})
                try:  # a chart takes its new width a moment after its place
                    self.page.wait_for_function(FITS, timeout=SETTLES_MS)
                except TimeoutError:
                    wide = self.page.evaluate("document.documentElement.scrollWidth")
                    yield f"{path} is {wide} px wide at {width}"
                if pictures is not None:
                    name = re.sub(r"\W+", "-", path).strip("-") or "now"
                    picture = pictures / f"{name}-{width}-{scheme}.png"
                    self.page.screenshot(path=picture, full_page=True)
                if (scheme, width) in axe:
                    found = Axe().run(self.page)
                    if found.violations_count:
                        yield f"{path} at {width} in the {scheme}:\n{found.generate_report()}"
        yield from self.wrong
        self.wrong.clear()

    def moved(self, path: str, scheme: str, width: int) -> float:
        """How much of a room moves by itself while it loads and settles, as browsers count it
        (cumulative layout shift, W3C Layout Instability)."""
        self.page.emulate_media(color_scheme=scheme)
        self.page.set_viewport_size({"width": width, "height": HEIGHTS[width]})
        self.page.goto(self.base + path, wait_until="load")
        return float(self.page.evaluate(SHIFTED))

    def walked(self, path: str) -> Iterator[str]:
        """What is wrong with a walk by the keyboard alone: what is never reached in the order in
        which it stands, and where the focus cannot be seen."""
        self.page.goto(self.base + path)
        self.page.emulate_media(reduced_motion="reduce")  # or it is still scrolling there
        wanted = self.page.evaluate(STOPS)
        for n in range(wanted):
            self.page.keyboard.press("Tab")
            here = self.page.evaluate(HERE)
            while here["parted"] and here["place"] == n - 1:
                self.page.keyboard.press("Tab")  # to the next part of a date
                here = self.page.evaluate(HERE)
            if here["place"] != n:
                yield f"{path}: stop {n} by the keyboard is {here}"
                return
            if not here["seen"]:
                yield f"{path}: no focus is seen at {here}"


def demo(
    saltmarsh: Path, folder: Path, now: float, hours: float = 13.5, every_s: float = 15.0
) -> Settings:
    """The demo's own data in a folder: the real daemon on the demo's story, flat out until `now`."""
    text = saltmarsh.read_text().replace('input = "simulated"', 'input = "simulated:depot"')
    text += f'\n[keeping]\nevery = "{every_s:g} s"\nwrite_every = "1200 s"\n'
    (folder / "site.toml").write_text(text)
    settings = load(folder / "site.toml")
    clock = ManualClock(now - hours * 3600.0)
    with daemon(settings, folder, folder, clock=lambda _: clock) as made:
        while clock.steady() <= now:
            made.tick()
            clock.wait_until(clock.steady() + every_s)
        made.stop()
    return settings
