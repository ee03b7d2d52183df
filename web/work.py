"""The room of periodic work: what is due when, and what was done last."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from flask import Blueprint, render_template

from web.named import section_name
from web.shown import Local, lasting, parse_time
from web.site import Site

NAME = "work"
WORDS: Mapping[str, str] = {
    "overdue": "Overdue", "due soon": "Due within 30 days", "planned": "Later"
}  # fmt: skip


class Row(NamedTuple):
    """One kind of work in one section, as text."""

    key: str  # "section/name"
    name: str
    place: str
    state: str
    due: str
    last: str
    interval: str
    standard: str


def blueprint(site: Site) -> Blueprint:
    """/work"""
    pages = Blueprint(NAME, __name__)

    @pages.get("/work")
    def work() -> str:
        latest, view, local = site.view()
        given = [] if latest is None else latest["picture"].get("work") or []
        groups = [(word, rows(given, state, local)) for state, word in WORDS.items()]
        return render_template("work.html", room="work", view=view, groups=groups)

    return pages


def rows(work: Sequence[Mapping[str, Any]], state: str, local: Local) -> list[Row]:
    """The work in that state."""
    return [row(item, local) for item in work if item["state"] == state]


def row(item: Mapping[str, Any], local: Local) -> Row:
    every = []
    if item["every_s"] is not None:
        every.append(f"every {lasting(item['every_s'])}")
    if item["running_s"] is not None:
        every.append(f"every {item['running_s'] / 3600.0:.0f} h of running")
    due = []
    if item["due"] is not None:
        due.append(f"{local.at(parse_time(item['due'])):%Y-%m-%d}")
    if item["running_left_s"] is not None:
        left_h = item["running_left_s"] / 3600.0
        due.append(
            f"{-left_h:.0f} h of running ago" if left_h < 0 else f"in {left_h:.0f} h of running"
        )
    if item["last"] is None:
        day = local.at(parse_time(item["counted_from"]))
        last = f"not known; counted from {day:%Y-%m-%d}, the first day of watching"
    else:
        last = f"{local.at(parse_time(item['last'])):%Y-%m-%d}"
        last += f", {item['last_by']}" if item["last_by"] else ""
    return Row(
        f"{item['section']}/{item['name']}",
        f"{item['name'][0].upper()}{item['name'][1:]}",
        section_name(item["section"]),
        item["state"],
        " or ".join(due),
        last,
        " or ".join(every),
        item["standard"],
    )
