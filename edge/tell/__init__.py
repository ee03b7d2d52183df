"""The ways of telling. To add one: a file here, a line in KINDS, a table of that name in settings."""

from collections.abc import Mapping

KINDS: Mapping[str, str] = {
    "mqtt": "edge.tell.mqtt",
    "mail": "edge.tell.mail",
}
"""By the settings' table: the module (loaded only when the table is there), which offers

- TOLD: the kinds of events that go into its outbox, None for all
- names(settings) -> list[str]: each messenger's own name in the outbox
- open_messengers(settings, outbox, history) -> list[Messenger]; `history()` opens what was kept
  (edge.week.History) as a context manager, from any thread
- prove(settings, say) -> bool: tries each out end to end and says what works and what fails
"""
