"""What a test is judged by, taken down when its clock starts, so that it can be judged again. Pure."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from edge import __version__
from edge.hold.holding import VERSION
from edge.measure.supply import Supply
from edge.measure.weather import Weather
from edge.methods import void_on_run
from edge.model import SUPPLY
from edge.settings import Settings


class Section(NamedTuple):
    """What the settings say of one section; None where they say nothing."""

    name: str
    volume_l: float | None
    floor_kpa: float | None  # its low_pressure
    regulated_kpa: float | None
    channels: dict[str, str | None]

    @classmethod
    def of(cls, name: str, settings: Settings) -> "Section":
        given = settings.supply
        own = next((s for s in settings.system if s.name == name), None)
        source = given if own is None else own
        return cls(
            name,
            source.volume_l,
            settings.low_pressure_kpa if own is None else own.low_pressure_kpa,
            None if own is None else own.regulated_kpa,
            {
                "pressure": source.pressure,
                "running": given.running,
                "temperature": source.temperature,
                "barometer": settings.site.barometer,
                "line": None if own is None else given.pressure,
            },
        )


def terms(
    section: Section,
    method: Mapping[str, Any],
    told: Mapping[str, Any],
    settings: Settings,
    supply: Supply,
) -> dict[str, Any]:
    """The terms of a test by a method (Method.plain()); `told` is what the person who began it said
    of them: to_end, alarm_kpa, device_proved."""
    line = section.name == SUPPLY
    return {
        "section": section.name,
        "method": dict(method),
        "hold_loss_kpa_per_h": settings.limits.hold_loss_kpa_per_h,
        "floor_kpa": section.floor_kpa,
        "volume_l": section.volume_l,
        "atmosphere_kpa": settings.site.atmosphere_kpa,
        "void_on_run": void_on_run(section.name, bool(method["to_low_limit"])),
        "regulated_kpa": section.regulated_kpa,
        "line_band_kpa": settings.supply.cut_out_kpa - settings.supply.cut_in_kpa,
        "at_rest": _at_rest(supply) if line else None,
        **told,
        "channels": section.channels,
        "units": settings.site.units.model_dump(),
        "version": VERSION,
        "software": __version__,
    }


def site(section: Section, t: float, supply: Supply, weather: Weather) -> dict[str, Any]:
    """What is known at second `t` of how the section follows its weather and of how long it has
    settled."""
    settling_s = 0.0
    if section.name == SUPPLY and supply.since_known and supply.since_t is not None:
        settling_s = t - supply.since_t
    return {
        "sums": [list(row) for row in weather.sums],
        "lagged": list(weather.lagged),
        "heard_s": round(t - weather.since_t, 3) if weather.lagged else 0.0,
        "settling_since_s": round(settling_s, 3),
    }


def _at_rest(supply: Supply) -> dict[str, float] | None:
    """The loss of the line's last rest, its standard deviation and the absolute pressure that it
    goes with; None where there was none, or where it showed no loss."""
    rest = supply.loss
    if rest is None or rest["loss_low_kpa_per_h"] <= 0.0:
        return None
    share = rest["loss_at_reference_kpa_per_h"] / rest["loss_kpa_per_h"]
    spread = rest["loss_high_kpa_per_h"] - rest["loss_low_kpa_per_h"]
    return {
        "kpa_per_h": rest["loss_kpa_per_h"],
        "sd_kpa_per_h": spread / 4.0,
        "absolute_kpa": supply.reference_absolute_kpa / share,
    }
