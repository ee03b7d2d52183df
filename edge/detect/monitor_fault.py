"""monitor_fault: the monitor itself is not well, and still does what it can; and that a judgement of
its own failed."""

from collections.abc import Iterator

from edge.detect.base import SOON, URGENT, Detector, Now, Telling
from edge.model import SUPPLY
from edge.settings import Settings

TODO = {
    "storage": "Judging and telling go on. Fit a new card or disk before the power next fails.",
    "database": "Copy the file set aside for whoever maintains the monitor; suspect the card.",
    "letterbox": "The page, the button and the shell can ask for nothing now. Suspect the card.",
    "settings": "See what dryhold check says of the settings file, mend it, restart the monitor.",
    "clock": "Give the monitor a network or set its clock; what happens is in order all the same.",
    "page": "Messages go on. See journalctl -u dryhold-page.",
    "restarts": "It goes on where it was. See journalctl -u dryhold; suspect the power supply.",
}
"""What to do, by the kind of trouble (edge.model.Tick.troubles)."""


class MonitorFault(Detector):
    alert = "monitor_fault"
    priority = SOON
    prompt = False

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        for kind in TODO:
            made = cls(SUPPLY, kind)
            # A page that is restarted is away for a moment.
            made.on_delay_s = 120.0 if kind == "page" else 0.0
            yield made

    def look(self, now: Now, active: bool) -> bool | None:
        return None if now.troubles is None else self.subject in now.troubles

    def tell(self, now: Now) -> Telling:
        kind = self.subject or ""
        return Telling((now.troubles or {}).get(kind, ""), TODO[kind], {"trouble": kind})

    def present(self, now: Now, raised: str) -> str:
        return (now.troubles or {}).get(self.subject or "", raised)


class SwitchedOff(Detector):
    """Stands while a detector is switched off after it raised; its alarm makes one where needed."""

    alert = "monitor_fault"
    off_delay_s = 120.0
    """A restart makes an end of it, unless the detector fails anew."""

    def __init__(self, lost: Detector) -> None:
        name = "/".join(filter(None, (lost.alert, lost.subject)))
        super().__init__(lost.section, f"judging {name.replace('_', ' ')}")
        # What nobody watches for any more may be there: as soon as one must respond to that.
        self.priority = URGENT if lost.priority == URGENT else SOON
        self.lost = lost.alert
        self.why: str | None = None

    def look(self, now: Now, active: bool) -> bool:
        return self.why is not None

    def tell(self, now: Now) -> Telling:
        return Telling(
            f"The monitor can no longer judge {self.lost.replace('_', ' ')}: {self.why}.",
            "Read the gauges on site. Restart the monitor; if it happens again, send its log to"
            " whoever maintains it.",
            {"detector": self.lost, "why": self.why},
        )
