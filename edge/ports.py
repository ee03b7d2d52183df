"""What the parts ask of each other. Everything that can be swapped is one of these."""

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from edge.model import Event, Reading, Request, Tick


class Clock(Protocol):
    """Time as a parameter: tests bring their own."""

    def steady(self) -> float:
        """Seconds that never jump, from any start."""
        ...

    def utc(self) -> float:
        """The wall clock, seconds since 1970 UTC; may be wrong and may jump."""
        ...

    def wait_until(self, steady: float) -> bool:
        """Wait until `steady()` has reached the given second; True when asked to stop instead."""
        ...


class Sensor(Protocol):
    """One configured channel on its input. Reports only: no smoothing, no filling of gaps."""

    channel: str
    quantity: str

    def read(self, so_far: Mapping[str, Reading]) -> Reading:
        """Look once, within a deadline.

        `so_far` holds this tick's readings of the channels before this one (a ratiometric
        transducer needs its supply's). Whatever goes wrong becomes a Reading with a reason;
        only a fault in the program raises.
        """
        ...

    def close(self) -> None: ...


class Judge(Protocol):
    """Pure judgement: ticks in, facts out. No clock, no input, no output."""

    def look(self, tick: Tick) -> list[Event]:
        """The facts that this tick made known, in order."""
        ...

    def state(self) -> dict[str, Any]:
        """Everything needed to go on after a restart, as JSON-ready plain data."""
        ...

    def picture(self) -> dict[str, Any]:
        """What is known now, for the page and for messages; JSON-ready (see edge.picture)."""
        ...


class Store(Protocol):
    """The one writer of the database."""

    def keep(
        self, ticks: Sequence[Tick], events: Sequence[Event], state: Mapping[str, Any] | None
    ) -> None:
        """In one transaction: these readings, these events with their notices in the outbox,
        and the judges' state. `state` is given whenever there are events or requests. StoreError
        when nothing of it could be kept."""
        ...

    def last_request(self) -> int:
        """The highest number of a request whose effect is kept."""
        ...

    def free_pct(self) -> float | None:
        """How much of the disk that is written on is free; None when it does not say."""
        ...

    def troubles(self) -> Mapping[str, str]:
        """What is wrong with the keeping, by kind (edge.detect.monitor_fault), in plain
        sentences; empty when all is well."""
        ...


class Outbox(Protocol):
    """What each messenger still has to tell, in the order of becoming known."""

    def waiting(self, messenger: str, after: int, limit: int) -> list[tuple[int, dict[str, Any]]]:
        """The oldest not accepted past the number `after`: number and event, JSON-ready."""
        ...

    def accepted(
        self,
        messenger: str,
        numbers: Sequence[int],
        at: float,
        memory: Mapping[str, Any] | None = None,
    ) -> None:
        """Mark as accepted by the receiver, at that second of UTC; with it, in one step, keep
        what the messenger must know after a restart. StoreError when neither could be kept."""
        ...

    def doubt(self, messenger: str, since: float | None, span_s: float) -> None:
        """Let what was accepted within `span_s` before the second `since` of UTC (before the
        newest acceptance where None) wait again: the receiver may have lost it. StoreError when
        that could not be kept."""
        ...

    def memory(self, messenger: str) -> dict[str, Any]:
        """What was kept so last."""
        ...

    def backlog(self, messenger: str) -> int:
        """How many wait."""
        ...

    def dropped(self, messenger: str) -> int:
        """How many of the oldest were given up for want of room."""
        ...


class Letterbox(Protocol):
    """Requests from page, button and shell; its own small file, written by many, emptied by one."""

    def post(self, kind: str, by: str, what: Mapping[str, Any]) -> int: ...

    def waiting(self) -> list[Request]: ...

    def done(self, request_id: int, answer: str) -> None: ...


class Messenger(Protocol):
    """One way of telling. Drains its own share of the outbox; marks only what was accepted."""

    name: str  # its own in the outbox: kind and address

    def tell(self, t: float, latest: Mapping[str, Any]) -> None:
        """Once a tick, at steady second `t`: pass on what waits and, for receivers that want the
        newest and not the history, `latest` (edge.latest). Never waits for the other side."""
        ...

    def state(self) -> dict[str, Any]:
        """JSON-ready, for the page: "connected", "why" not, "waiting" and "dropped" notices."""
        ...

    def stop(self) -> None:
        """Say goodbye, within a few seconds."""
        ...
