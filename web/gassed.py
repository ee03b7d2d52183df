"""The technician's word on what gas a section now holds: the gas that is followed begins anew."""

from collections.abc import Mapping
from typing import Any

from flask import Blueprint, redirect, request, url_for

from edge.core import units
from edge.core.purge import AIR_PCT
from edge.model import SUPPLY
from edge.settings import Settings
from web.named import section_name
from web.side import NAME, Answer, Side

WHYS: Mapping[str, str] = {
    "bypass fill": "filled with plain air, in bypass",
    "drained": "drained, or open to the air",
    "measured": "its oxygen was measured with an analyzer",
}


def sections(settings: Settings) -> dict[str, str]:
    """The sections whose gas is followed, those of known volume: key and name."""
    parts = [(SUPPLY, settings.supply.volume_l), *((s.name, s.volume_l) for s in settings.system)]
    return {key: section_name(key) for key, volume in parts if volume is not None}


def asked(form: Mapping[str, str], settings: Settings) -> dict[str, Any]:
    """The letterbox's `gas_restart`; ValueError, in a person's words, for what cannot be meant."""
    section, why = form.get("section", ""), form.get("why", "")
    if section not in sections(settings):
        raise ValueError("Say which section.")
    if why not in WHYS:
        raise ValueError("Say what happened to its gas.")
    what: dict[str, Any] = {"section": section, "why": why}
    if why == "measured":
        text = form.get("oxygen", "").replace(",", ".").strip()
        try:
            oxygen = units.parse("fraction", text if text.endswith("%") else f"{text} %")
        except ValueError:
            raise ValueError("Say the oxygen measured, in %, as 4.2.") from None
        if not 0.0 <= oxygen <= AIR_PCT:
            raise ValueError(f"Oxygen: expected 0 to {AIR_PCT} %, as air has.")
        what["oxygen_pct"] = oxygen
    return what


def add(pages: Blueprint, side: Side) -> None:
    """Put the room among the technician's pages."""
    settings = side.site.settings

    def _room(form: Mapping[str, str], wrong: str) -> str:
        return side.page(
            "site_gas.html", sections=sections(settings), whys=WHYS, form=form, wrong=wrong
        )

    @pages.get("/gas")
    @side.inside
    def gas_now() -> Answer:
        return _room(request.args, "")

    @pages.post("/gas")
    @side.inside
    def gas_restart() -> Answer:
        try:
            what = asked(request.form, settings)
        except ValueError as error:
            return _room(request.form, str(error)), 400
        number = side.post("gas_restart", what)
        return redirect(url_for(f"{NAME}.gas_now", asked=number), 303)
