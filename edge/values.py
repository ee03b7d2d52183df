"""The kinds of value that a settings file holds; each says what it expects of one that is wrong."""

import re
from collections.abc import Callable
from typing import Annotated, Literal
from zoneinfo import available_timezones

from pydantic import AfterValidator, BeforeValidator, Field

from edge.core import units


def _quantity(kind: str) -> BeforeValidator:
    return BeforeValidator(lambda text: units.parse(kind, text))


def _within(holds: Callable[[float], bool], expected: str) -> AfterValidator:
    def check(value: float) -> float:
        if not holds(value):
            raise ValueError(expected)
        return value

    return AfterValidator(check)


def matching(pattern: str, expected: str) -> AfterValidator:
    """Text that the whole pattern matches."""

    def check(text: str) -> str:
        if re.fullmatch(pattern, text) is None:
            raise ValueError(expected)
        return text

    return AfterValidator(check)


def _time_of_day(text: object) -> int:
    """Minutes after midnight."""
    found = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", text) if isinstance(text, str) else None
    if found is None:
        raise ValueError('a time of day, as "07:00"')
    return int(found[1]) * 60 + int(found[2])


def _span_of_day(text: object) -> tuple[int, int]:
    """Two times of day, in minutes; a span may go over midnight."""
    first, _, last = text.partition("-") if isinstance(text, str) else ("", "", "")
    try:
        span = _time_of_day(first.strip()), _time_of_day(last.strip())
    except ValueError:
        span = 0, 0
    if span[0] == span[1]:
        raise ValueError('two different times of day, as "22:00-06:30"')
    return span


def _zone(name: str) -> str:
    if name not in available_timezones():
        raise ValueError('a time zone of the IANA list, as "America/Chicago"')
    return name


_POSITIVE = _within(lambda value: value > 0.0, "more than zero")
_NO_LESS = _within(lambda value: value >= 0.0, "no less than zero")

Pressure = Annotated[float, _quantity("pressure")]
AboveZero = Annotated[float, _quantity("pressure"), _POSITIVE]
PressureRate = Annotated[float, _quantity("pressure rate"), _POSITIVE]
Seconds = Annotated[float, _quantity("time"), _POSITIVE]
NoneOrMore = Annotated[float, _quantity("time"), _NO_LESS]
TestTime = Annotated[
    float, _quantity("time"), _within(lambda s: 600.0 <= s <= 7 * 86400.0, "10 min to 7 d")
]
Pace = Annotated[
    float, _quantity("time"), _within(lambda s: 0.0 < s <= 30.0, "more than zero, and at most 30 s")
]
Percent = Annotated[
    float, _quantity("fraction"), _within(lambda value: 0.0 <= value <= 100.0, "0 % to 100 %")
]
Nitrogen = Annotated[
    float,
    _quantity("fraction"),
    _within(lambda value: 90.0 <= value <= 100.0, "90 % to 100 % of nitrogen (98 % is 2 % oxygen)"),
]
Allowance = Annotated[
    float, _quantity("fraction"), _within(lambda value: 0.0 <= value <= 50.0, "0 % to 50 %")
]
Litres = Annotated[float, _quantity("volume"), _POSITIVE]
Flow = Annotated[float, _quantity("flow"), _POSITIVE]
AnyFlow = Annotated[float, _quantity("flow"), _NO_LESS]
Kilowatts = Annotated[float, _quantity("power"), _POSITIVE]
Money = Annotated[float, Field(ge=0.0, le=1e6, strict=False, allow_inf_nan=False)]
Metres = Annotated[float, _quantity("length"), _POSITIVE]
Elevation = Annotated[
    float,
    _quantity("length"),
    _within(lambda m: -1000.0 <= m <= 11000.0, "-1000 m to 11000 m, where air is known"),
]
Ohms = Annotated[float, _quantity("resistance"), _POSITIVE]
Celsius = Annotated[float, _quantity("temperature")]

Name = Annotated[
    str,
    Field(min_length=1, max_length=80),
    matching(r"[^\x00-\x1f\x7f]*", "text on one line"),
]
SiteId = Annotated[str, matching(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?", "a-z, 0-9 and - only")]
ChannelName = Annotated[str, matching(r"[a-z][a-z0-9_]{0,39}", "a channel's name: a-z, 0-9 and _")]
SecretName = Annotated[str, matching(r"[a-z][a-z0-9_]{0,39}", "a name of a-z, 0-9 and _")]
Pin = Annotated[str, matching(r"gpio:([2-9]|1[0-9]|2[0-7])", 'a pin of the box as "gpio:22"')]
MailAddress = Annotated[
    str,
    Field(max_length=254),
    matching(r"[!-?A-~]+@[A-Za-z0-9.-]+", 'a mail address, as "desk@fenwick.example"'),
]
WebAddress = Annotated[
    str,
    matching(
        r"https?://[!-~]{1,200}", 'the address of the page on site, as "http://dryhold.local:8080"'
    ),
]
Currency = Annotated[str, matching(r"[A-Z]{3}", 'a currency of three letters (ISO 4217), as "USD"')]
TimeOfDay = Annotated[int, BeforeValidator(_time_of_day)]
SpanOfDay = Annotated[tuple[int, int], BeforeValidator(_span_of_day)]
TimeZone = Annotated[str, AfterValidator(_zone)]
Priority = Literal["urgent", "soon", "planned"]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
