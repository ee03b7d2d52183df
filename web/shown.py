"""Numbers, times and ages as people at the site read them. Pure: no clock, no input, no output."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from edge.core import units
from edge.settings import Settings

DASH = "–"
NBSP = "\N{NO-BREAK SPACE}"


class Number(NamedTuple):
    """A figure and its unit, apart, so that they can be set in different sizes."""

    figure: str
    unit: str

    def __str__(self) -> str:
        return f"{self.figure}{NBSP}{self.unit}" if self.unit else self.figure


def _split(kind: str, value: float, unit: str, digits: int | None = None) -> Number:
    figure, _, written = units.show(kind, value, unit, digits).partition(" ")
    return Number(figure.replace("-", "−"), written)


def percent(value: float, digits: int | None = None) -> Number:
    """A share in percent; 1.2 % but 45 %."""
    if digits is None:
        digits = 1 if abs(value) < 10.0 else 0
    return Number(f"{value:.{digits}f}".replace("-", "−"), "%")


def lasting(seconds: float) -> str:
    """A length of time in its two largest parts: "42 s", "5 min", "1 h 12 min", "3 d 4 h"."""
    s = max(0.0, seconds)
    if s < 59.5:
        return f"{s:.0f}{NBSP}s"
    minutes = round(s / 60.0)
    if minutes < 60:
        return f"{minutes}{NBSP}min"
    if minutes < 48 * 60:
        hours, rest = divmod(minutes, 60)
        return f"{hours}{NBSP}h {rest}{NBSP}min" if rest else f"{hours}{NBSP}h"
    hours = round(s / 3600.0)
    days, rest = divmod(hours, 24)
    return f"{days}{NBSP}d {rest}{NBSP}h" if rest and days < 14 else f"{days}{NBSP}d"


def hours(value: float) -> str:
    """A number of hours that is an estimate: no more figures than it deserves."""
    if value >= 72.0:
        return f"{value / 24.0:.0f}{NBSP}d"
    if value >= 10.0:
        return f"{value:.0f}{NBSP}h"
    if value >= 1.0:
        return f"{value:.1f}{NBSP}h"
    return f"{value * 60.0:.0f}{NBSP}min"


def parse_time(text: str) -> float:
    """ISO 8601 with an offset or Z, as seconds since 1970; ValueError for anything else."""
    stamp = datetime.fromisoformat(text.strip().replace("Z", "+00:00"))
    if stamp.tzinfo is None:
        raise ValueError("a time with Z or an offset, as 2026-03-01T06:00:00Z")
    return stamp.timestamp()


@dataclass(frozen=True, slots=True)
class Moment:
    """One time, written for a person and for a machine."""

    text: str
    iso: str
    full: str


@dataclass(frozen=True, slots=True)
class Local:
    """Times in the site's zone, as short as `now` (seconds since 1970) lets them be."""

    zone: ZoneInfo
    now: float

    def at(self, t: float) -> datetime:
        return datetime.fromtimestamp(t, self.zone)

    def moment(self, t: float, seconds: bool = False, dated: bool = False) -> Moment:
        """In words, and written for a machine and for a record."""
        iso = self.at(t).isoformat(timespec="seconds")
        return Moment(self.words(t, seconds=seconds, dated=dated), iso, self.record(t))

    def words(self, t: float, *, seconds: bool = False, dated: bool = False) -> str:
        """ "13:20" today (unless `dated`), "yesterday 13:20", "Tue 13:20" in the week, then the
        date."""
        then, today = self.at(t), self.at(self.now)
        clock = f"{then:%H:%M:%S}" if seconds else f"{then:%H:%M}"
        days = (today.date() - then.date()).days
        if days == 0 and not dated:
            text = clock
        elif days == 1 and not dated:
            text = f"yesterday {clock}"
        elif 1 < days < 7 and not dated:
            text = f"{then:%a} {clock}"
        elif then.year == today.year:
            text = f"{then.day} {then:%b} {clock}"
        else:
            text = f"{then.day} {then:%b %Y} {clock}"
        return text.replace(" ", NBSP)

    def record(self, t: float) -> str:
        """Date, time and offset, for where a record needs them all."""
        then = self.at(t)
        return f"{then:%Y-%m-%d %H:%M:%S} {self.offset(t)}"

    def offset(self, t: float) -> str:
        """ "UTC−06:00" """
        minutes = int((self.at(t).utcoffset() or timedelta()).total_seconds() // 60)
        sign = "−" if minutes < 0 else "+"
        return f"UTC{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"

    def ago(self, t: float) -> str:
        """ "42 min ago" """
        return f"{lasting(self.now - t)} ago"


@dataclass(frozen=True, slots=True)
class SiteUnits:
    """Values from inside, in the units that the site's settings name."""

    pressure_unit: str
    temperature_unit: str
    flow_unit: str
    volume_unit: str

    @classmethod
    def of(cls, settings: Settings) -> "SiteUnits":
        u = settings.site.units
        return cls(u.pressure, u.temperature, u.flow, u.volume)

    def pressure(self, kpa: float) -> Number:
        return _split("pressure", kpa, self.pressure_unit)

    def pressure_number(self, kpa: float) -> float:
        """The bare number, for charts and tables whose head names the unit."""
        return units.outside("pressure", kpa, self.pressure_unit)

    def rate(self, kpa_per_h: float) -> Number:
        return _split("pressure rate", kpa_per_h, f"{self.pressure_unit}/h")

    def rate_number(self, kpa_per_h: float) -> float:
        return units.outside("pressure rate", kpa_per_h, f"{self.pressure_unit}/h")

    def flow(self, l_min: float) -> Number:
        return _split("flow", l_min, self.flow_unit)

    def gas(self, litres: float) -> str:
        """An amount, standard litres."""
        return units.show_gas(litres, self.flow_unit).replace(" ", NBSP)

    def volume(self, litres: float) -> Number:
        return _split("volume", litres, self.volume_unit)

    def quantity(self, quantity: str, value: float) -> Number:
        """A channel's value by its quantity (edge.model.QUANTITIES)."""
        if quantity == "pressure":
            return self.pressure(value)
        if quantity == "barometer":
            return _split("pressure", value, "hPa", 0)
        if quantity == "temperature":
            return _split("temperature", value, self.temperature_unit, 1)
        if quantity == "oxygen":
            return percent(value, 2)
        if quantity == "running":
            return Number("running" if value else "resting", "")
        return _split("voltage", value, "V", 3)

    def span(self, low_kpa: float, high_kpa: float) -> str:
        """ "38.0 to 52.0 psi" """
        low, high = self.pressure(low_kpa), self.pressure(high_kpa)
        return f"{low.figure} to {high}"
