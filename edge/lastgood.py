"""The last good settings: a copy in the state folder, used while the file itself is broken."""

import contextlib
import logging
import os
from pathlib import Path
from typing import NamedTuple

from edge.errors import SettingsError
from edge.settings import Settings, load

FILE = "last-good.toml"

log = logging.getLogger(__name__)


class Found(NamedTuple):
    """The settings to go by, and why they are not those of the file, if they are not."""

    settings: Settings
    trouble: str | None


def load_or_last(path: Path, state: Path) -> Found:
    """The settings at `path`, or where they cannot be used those that last could.

    SettingsError, as for the file itself, where there are none.
    """
    try:
        return Found(load(path), None)
    except SettingsError as error:
        try:
            settings = load(state / FILE)
        except SettingsError:
            raise error from None
        first, more = error.faults[0], len(error.faults) - 1
        others = f" and {more} more" if more else ""
        trouble = f"The settings file is broken ({first}{others}); the last good settings are used."
        log.error("%s", trouble)
        return Found(settings, trouble)


def keep(path: Path, state: Path) -> None:
    """Put a copy of a file that was found good into the state folder, in one step that lasts;
    a card that does not take it is no reason not to start."""
    fresh = state / f"{FILE}.new"
    try:
        text = path.read_bytes()
        with contextlib.suppress(OSError):
            if (state / FILE).read_bytes() == text:
                return
        state.mkdir(parents=True, exist_ok=True)
        # It holds people's addresses, as the settings do.
        own = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        with os.fdopen(own, "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(state / FILE)
    except OSError as error:
        log.warning("no copy of the settings could be kept: %s", error)
