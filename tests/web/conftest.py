"""A site with a history, its page, and a browser to see it with."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import depot
import pytest
import rooms
import years
from cheroot.wsgi import Server
from flask.testing import FlaskClient

from edge.settings import Settings, load
from web import PLACES, create_app
from web.listener import THREADS
from web.stream import MOST


@pytest.fixture(scope="session")
def settings() -> Settings:
    return load(Path(__file__).parents[2] / "edge" / "saltmarsh.toml")


@pytest.fixture(scope="session")
def history(tmp_path_factory: pytest.TempPathFactory, settings: Settings) -> Path:
    """A state folder with three days in it; nothing writes to it any more."""
    folder = tmp_path_factory.mktemp("state")
    depot.keep(folder, settings, 3.0)
    return folder


@pytest.fixture(scope="session")
def long_ago(
    tmp_path_factory: pytest.TempPathFactory, settings: Settings
) -> tuple[Path, years.Past]:
    """A state folder with five years in it, and what happened in them; nothing writes to it."""
    folder = tmp_path_factory.mktemp("years")
    return folder, years.keep(folder, settings, minutes_days=30.0)


@dataclass
class Site:
    """A site whose clock and newest picture the test sets."""

    settings: Settings
    state: Path
    runtime: Path
    now: float = depot.NOW + 2.0
    said: dict[str, Any] = field(default_factory=dict)

    def say(self, state: str, **monitor: object) -> None:
        """Write latest.json with a picture in that state."""
        self.said = depot.newest(self.settings, state)
        self.said["monitor"].update(monitor)
        self.write()

    def write(self) -> None:
        depot.show(self.runtime, self.said)

    def client(self) -> FlaskClient:
        return create_app(self.settings, self.state, self.runtime, lambda: self.now).test_client()


@pytest.fixture
def site(settings: Settings, history: Path, tmp_path: Path) -> Site:
    made = Site(settings, history, tmp_path / "run")
    made.say("holding")
    return made


@pytest.fixture
def ages(settings: Settings, long_ago: tuple[Path, years.Past], tmp_path: Path) -> Site:
    """The site with five years behind it."""
    made = Site(settings, long_ago[0], tmp_path / "run")
    made.say("holding")
    return made


@pytest.fixture(scope="session")
def demo_state(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Settings, Path]:
    """What half a day of the demo leaves, written by the real daemon."""
    folder = tmp_path_factory.mktemp("demo")
    root = Path(__file__).parents[2]
    return rooms.demo(root / "edge" / "saltmarsh.toml", folder, depot.NOW), folder


@pytest.fixture
def served(site: Site) -> Iterator[str]:
    """The site's page on a free port of this machine."""
    app = create_app(site.settings, site.state, site.runtime, lambda: site.now)
    server = Server(("127.0.0.1", 0), app, numthreads=THREADS + MOST)
    server.prepare()
    thread = threading.Thread(target=server.serve)
    thread.start()
    yield f"http://127.0.0.1:{server.bind_addr[1]}"
    app.extensions[PLACES].close()
    server.stop()
    thread.join(timeout=10.0)


@pytest.fixture(scope="session")
def chromium(needs: Callable[[str], str]) -> Iterator[Any]:
    """A real browser with a new, empty profile."""
    path = needs("chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=rooms.FLAGS)
        yield browser
        browser.close()
