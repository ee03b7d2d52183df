"""The ways of telling. To add one: a file here, a line in KINDS, a table of that name in settings."""

from collections.abc import Mapping

KINDS: Mapping[str, str] = {
    "mqtt": "edge.tell.mqtt",
}
"""By the settings' table: the module (loaded only when the table is there), which offers

- names(settings) -> list[str]: each messenger's own name in the outbox
- open_messengers(settings, outbox) -> list[Messenger]
"""
