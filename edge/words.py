"""Numbers into the words of the site: its units, plain durations."""

from edge.core import units
from edge.settings import Settings, Units

YEAR_S = 365.25 * 86400.0


class Words:
    """Writes quantities as the people of one site read them."""

    def __init__(self, settings: Settings) -> None:
        self._units = settings.site.units

    @classmethod
    def of(cls, units: Units) -> "Words":
        """Words in given units, for what is told again later."""
        words = cls.__new__(cls)
        words._units = units
        return words

    def pressure(self, kpa: float) -> str:
        return units.show("pressure", kpa, self._units.pressure)

    def pressure_beside(self, kpa: float, other_kpa: float) -> str:
        """A pressure, with as many decimals as it takes not to look like the other."""
        return _apart("pressure", kpa, other_kpa, self._units.pressure)

    def rate(self, kpa_per_h: float) -> str:
        return units.show("pressure rate", kpa_per_h, f"{self._units.pressure}/h")

    def flow(self, l_min: float) -> str:
        return units.show("flow", l_min, self._units.flow)

    def gas(self, litres: float) -> str:
        """An amount, standard litres."""
        return units.show_gas(litres, self._units.flow)

    def between(self, low: float, high: float) -> str:
        """A range of pressure rates, kPa/h, with the unit once."""
        unit = f"{self._units.pressure}/h"
        first = units.show("pressure rate", low, unit).rsplit(" ", 1)[0]
        return f"{first} to {units.show('pressure rate', high, unit)}"

    @staticmethod
    def percent(pct: float) -> str:
        return f"{pct:.1f} %"

    @staticmethod
    def percent_beside(pct: float, other_pct: float) -> str:
        """A share, with as many decimals as it takes not to look like the other."""
        for digits in range(1, 5):
            text = f"{pct:.{digits}f}"
            if float(text) != round(other_pct, 1):
                break
        return f"{text} %"

    @classmethod
    def duration_beside(cls, seconds: float, other_s: float) -> str:
        """A time that must not look like the other: "just over 6 h"."""
        text = cls.duration(seconds)
        if text != cls.duration(other_s) or seconds == other_s:
            return text
        return f"just {'over' if seconds > other_s else 'under'} {text}"

    @staticmethod
    def duration(seconds: float) -> str:
        """As a person says it: 45 s, 1 min 49 s, 12 min, 3 h 20 min, 2 days 4 h, 3 years."""
        years = seconds / YEAR_S
        if years >= 2.0:
            whole_years = round(years)
            near = abs(years - whole_years) < 0.01
            return f"{whole_years} years" if near else f"{years:.1f} years"
        whole = round(seconds)
        if whole < 90:
            return f"{whole} s"
        if whole < 600:
            minutes, rest = divmod(whole, 60)
            return f"{minutes} min {rest} s" if rest else f"{minutes} min"
        minutes = round(seconds / 60.0)
        if minutes < 60:
            return f"{minutes} min"
        hours, minutes = divmod(minutes, 60)
        if hours < 48:
            return f"{hours} h {minutes} min" if minutes else f"{hours} h"
        days, hours = divmod(hours, 24)
        return f"{days} days {hours} h" if hours else f"{days} days"


def _apart(kind: str, value: float, other: float, unit: str) -> str:
    text, beside = units.show(kind, value, unit), units.show(kind, other, unit)
    for digits in range(1, 5):
        if value == other or float(text.split()[0]) != float(beside.split()[0]):
            break
        text = units.show(kind, value, unit, digits)
    return text
