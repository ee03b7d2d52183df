"""Periodic work done, recorded on the technician's side."""

from collections.abc import Mapping
from typing import Any

from flask import Blueprint, redirect, request, url_for

from edge.errors import StoreError
from web import work as periodic
from web import workform
from web.shown import SiteUnits
from web.side import NAME, Answer, Side


def add(pages: Blueprint, side: Side) -> None:
    """Put the form of the work done among the technician's pages."""
    site, settings = side.site, side.site.settings

    def _work(form: Mapping[str, str], wrong: str) -> str:
        latest, _, local = site.view()
        given = [] if latest is None else latest["picture"].get("work") or []
        return side.page(
            "site_work.html",
            rows=[periodic.row(item, local) for item in given],
            made=_supersedable(),
            form=form,
            wrong=wrong,
            today=f"{local.at(site.clock()):%Y-%m-%d}",
            example=SiteUnits.of(settings).pressure(settings.supply.cut_in_kpa),
        )

    def _supersedable() -> list[dict[str, Any]]:
        """Records of periodic work that none supersedes yet, the newest first."""
        try:
            with site.reader() as db:
                kept = db.records.headings(["periodic"], 50)
        except StoreError:
            return []
        return [one for one in kept if one["superseded_by"] is None]

    @pages.get("/work")
    @side.inside
    def work() -> Answer:
        return _work(request.args, "")

    @pages.post("/work")
    @side.inside
    def work_done() -> Answer:
        form = request.form.to_dict()
        known = {str(one["id"]): str(one["title"]) for one in _supersedable()}
        _, view, _ = site.view()
        if not view.seen.fresh:
            return _work(form, "The monitor gives no new data, so nothing can be recorded."), 400
        try:
            what = workform.request(form, known, settings.site.zone, site.clock())
        except ValueError as error:
            return _work(form, str(error)), 400
        number = side.post("work_done", what)
        return redirect(url_for(f"{NAME}.work", asked=number), 303)
