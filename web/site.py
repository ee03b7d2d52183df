"""What every route needs to know of its site, and the one place where files are opened."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from edge.errors import StoreError
from edge.settings import Settings
from edge.store import read
from web.fresh import Freshness
from web.present import FirstView, first_view
from web.shown import Local


@dataclass(frozen=True, slots=True)
class Site:
    """One site: its settings, its folders, and its time (UTC, seconds since 1970)."""

    settings: Settings
    state_dir: Path
    runtime_dir: Path
    clock: Callable[[], float]

    def latest(self) -> tuple[dict[str, Any] | None, float | None]:
        """What the daemon last wrote, and when; None while it has not, which shows as blind."""
        try:
            # Asked first: a file replaced in between then looks older than it is, never newer.
            saved_at = (self.runtime_dir / read.LATEST).stat().st_mtime
            return read.latest(self.runtime_dir), saved_at
        except (OSError, StoreError):
            return None, None

    def changed(self) -> tuple[int, ...] | None:
        """Differs whenever the daemon has written something new; None while there is nothing."""
        try:
            found = (self.runtime_dir / read.LATEST).stat()
            return found.st_mtime_ns, found.st_ino, found.st_size
        except OSError:
            return None

    def view(self) -> tuple[dict[str, Any] | None, FirstView, Local]:
        """The newest, what the first view says of it, and the time at the site."""
        latest, saved_at = self.latest()
        view = first_view(latest, saved_at, self.settings, self.clock())
        return latest, view, Local(self.settings.site.zone, view.seen.site_now)

    def reader(self) -> read.Reader:
        return read.Reader(self.state_dir)

    def now_kpa(self, latest: dict[str, Any] | None, seen: Freshness, channel: str) -> float | None:
        """The newest pressure of a channel, only while it is fresh."""
        if latest is None or not seen.fresh:
            return None
        value: float | None = (latest["channels"].get(channel) or {}).get("value")
        return value
