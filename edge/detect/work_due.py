"""Periodic work is overdue."""

from collections.abc import Iterator

from edge.detect.base import PLANNED, Detector, Now, Telling
from edge.model import iso
from edge.settings import Settings
from edge.work import OVERDUE, items


class WorkDue(Detector):
    """One kind of work in one section; calibrations have an alert of their own."""

    alert = "work_due"
    priority = PLANNED
    prompt = False

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        for item in items(settings):
            if item.channel is None:
                yield cls(item.section, item.name)

    def look(self, now: Now, active: bool) -> bool | None:
        item = now.work.items[f"{self.section}/{self.subject}"]
        # Common work of which nobody ever told anything is on the page, but it is no alert.
        if not item.own and item.done is None and item.key not in now.work.done:
            return False
        return now.work.standing(item, now.t, now.at).state == OVERDUE

    def tell(self, now: Now) -> Telling:
        item = now.work.items[f"{self.section}/{self.subject}"]
        due = now.work.standing(item, now.t, now.at)
        name = item.name[0].upper() + item.name[1:]
        if due.due_at is not None and now.at > due.due_at:
            late = f"was due on {iso(due.due_at)[:10]}"
        else:
            late = f"was due after {now.words.duration(item.running_s or 0.0)} of running"
        if due.last_at is None:
            known = "it is not known when it was last done"
        else:
            known = f"it was last done on {iso(due.last_at)[:10]}"
        return Telling(
            f"{name} {late} ({item.standard}); {known}.",
            "Have it done, and record it on the technician's side of the page.",
            {"work": item.name, "due": None if due.due_at is None else iso(due.due_at)},
        )
