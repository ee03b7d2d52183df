"""Alerts on the technician's side: acknowledged, shelved, or kept quiet while somebody works."""

from collections.abc import Mapping
from typing import Any

from flask import Blueprint, abort, g, redirect, request, url_for

from web.looked import standing
from web.shown import parse_time
from web.side import NAME, Answer, Side

SHELVES: Mapping[str, tuple[str, float]] = {
    "1h": ("1 hour", 3600.0),
    "4h": ("4 hours", 4 * 3600.0),
    "24h": ("a day", 86400.0),
    "72h": ("three days", 3 * 86400.0),
    "7d": ("a week", 7 * 86400.0),
}
WORK: Mapping[str, tuple[str, float]] = {
    "1h": ("1 hour", 3600.0),
    "2h": ("2 hours", 2 * 3600.0),
    "4h": ("4 hours", 4 * 3600.0),
    "8h": ("8 hours", 8 * 3600.0),
    "12h": ("12 hours", 12 * 3600.0),
}


def add(pages: Blueprint, side: Side) -> None:
    """Put the room of the alerts among the technician's pages."""
    site = side.site

    @pages.get("/alerts")
    @side.inside
    def alerts() -> Answer:
        latest, view, local = site.view()
        said = {} if latest is None else latest["picture"]
        working = said.get("working")
        return side.page(
            "site_alerts.html",
            alerts=list(zip(said.get("alerts") or [], view.notes, strict=True)),
            shelves=SHELVES,
            work=WORK,
            working=working,
            until=None if not working else local.moment(parse_time(working["until"])),
        )

    def _alert(form: Mapping[str, str]) -> dict[str, Any]:
        """The open alert that a form names, as it stands now."""
        latest, _ = site.latest()
        key = (form.get("alert"), form.get("section") or None, form.get("subject") or None)
        for alert in standing(latest):
            if key == tuple(alert.get(k) or None for k in ("alert", "section", "subject")):
                return {k: alert.get(k) for k in ("alert", "section", "subject")}
        return abort(409)

    @pages.post("/alerts/acknowledge")
    @side.inside
    def acknowledge() -> Answer:
        number = side.post("acknowledge", _alert(request.form))
        return redirect(url_for(f"{NAME}.alerts", asked=number), 303)

    @pages.post("/alerts/shelve")
    @side.inside
    def shelve() -> Answer:
        span = SHELVES.get(request.form.get("for", ""))
        why = " ".join(request.form.get("why", "").split())[:200]
        if span is None or len(why) < 3:
            return side.refuse(400, "Not shelved", "Shelving needs a time and a reason.")
        number = side.post("shelve", {**_alert(request.form), "for_s": span[1], "why": why})
        return redirect(url_for(f"{NAME}.alerts", asked=number), 303)

    @pages.post("/alerts/working")
    @side.inside
    def working() -> Answer:
        if request.form.get("end"):
            number = side.post("working", {"for_s": 0.0})
            return redirect(url_for(f"{NAME}.alerts", asked=number), 303)
        span = WORK.get(request.form.get("for", ""))
        if span is None:
            return side.refuse(400, "Not asked for", "Say for how long.")
        refused = side.tried(g.session, request.form.get("code", ""))
        if refused is not None:
            return refused
        number = side.post("working", {"for_s": span[1]})
        return redirect(url_for(f"{NAME}.alerts", asked=number), 303)
