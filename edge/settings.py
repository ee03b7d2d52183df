"""One TOML file per site into one checked, frozen object; every fault in it found at once.

Quantities in the file are strings with a unit; here they are floats in the unit that the
name ends with.
"""

import tomllib
from collections.abc import Collection, Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from edge.core import pipe, units, volume
from edge.core.oxygen_air import standard_atmosphere_kpa
from edge.errors import SettingsError
from edge.model import SUPPLY
from edge.rules import RULES, TOLERANCE_KPA, Raw, found, pipes_rule
from edge.values import (
    AboveZero,
    Allowance,
    AnyFlow,
    Celsius,
    ChannelName,
    Currency,
    Elevation,
    Flow,
    Kilowatts,
    Litres,
    MailAddress,
    Metres,
    Money,
    Name,
    Nitrogen,
    NoneOrMore,
    Ohms,
    Pace,
    Pair,
    Percent,
    Pin,
    Pressure,
    PressureRate,
    Priority,
    Seconds,
    SecretName,
    SiteId,
    SpanOfDay,
    TestTime,
    TimeOfDay,
    TimeZone,
    WebAddress,
)


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=False, strict=True)


class Units(_Table):
    """What people at this site read; changes nothing inside."""

    pressure: str = "psi"
    temperature: str = "°F"
    flow: str = "scfh"
    volume: str = "gal"


class Site(_Table):
    name: Name
    id: SiteId
    time_zone: TimeZone = "UTC"
    units: Units = Units()
    contact: Name | None = None  # whom the owner calls
    elevation_m: Elevation = Field(default=0.0, alias="elevation")
    barometer: ChannelName | None = None

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    @property
    def atmosphere_kpa(self) -> float:
        """Standard atmosphere at the site's elevation (ISO 2533), where no barometer says better."""
        return standard_atmosphere_kpa(self.elevation_m)


class Pipe(_Table):
    """A run of one size; `wall` or `schedule`, exactly one."""

    size: str
    schedule: str | None = None
    wall_m: Metres | None = Field(default=None, alias="wall")
    length_m: Metres = Field(alias="length")

    @property
    def volume_l(self) -> float:
        wall_mm = (
            pipe.WALL_MM[self.schedule][self.size] if self.schedule else (self.wall_m or 0) * 1e3
        )
        return pipe.volume_l(self.size, wall_mm, self.length_m)


class Fill(_Table):
    """A timed fill of a section by a known flow, which measures its volume."""

    flow_l_min: Flow = Field(alias="flow")
    loss_l_min: AnyFlow = Field(default=0.0, alias="loss")
    time_s: Seconds = Field(alias="time")
    from_kpa: Pressure = Field(alias="from")
    to_kpa: AboveZero = Field(alias="to")
    gas_c: Celsius | None = Field(default=None, alias="gas")
    flow_within_pct: Percent = Field(default=100.0 * volume.FLOW_REL, alias="flow_within")

    @property
    def volume(self) -> volume.Volume:
        """ValueError where the fill tells nothing."""
        return volume.by_fill(
            self.flow_l_min,
            self.loss_l_min,
            self.time_s,
            self.from_kpa,
            self.to_kpa,
            self.gas_c,
            flow_rel=self.flow_within_pct / 100.0,
        )


class _Piping(_Table):
    given_volume_l: Litres | None = Field(default=None, alias="volume")
    pipe: list[Pipe] = []
    fittings_pct: Allowance = Field(default=0.0, alias="fittings")
    fill: Fill | None = None

    @property
    def take_off(self) -> volume.Volume | None:
        """As given, or added up from the pipes with their fittings; None where neither is told."""
        if self.given_volume_l is not None:
            return volume.Volume(self.given_volume_l, volume.GIVEN_REL * self.given_volume_l)
        if not self.pipe:
            return None
        litres = sum(p.volume_l for p in self.pipe) * (1.0 + self.fittings_pct / 100.0)
        return volume.Volume(litres, volume.TAKE_OFF_REL * litres)

    @property
    def gas_volume(self) -> volume.Volume | None:
        """The measured volume where there is one, since it beats a take-off."""
        return self.take_off if self.fill is None else self.fill.volume

    @property
    def volume_l(self) -> float | None:
        """Gas volume as measured, given or taken off; None where none of them is told."""
        found = self.gas_volume
        return None if found is None else found.litres


class Piping(_Piping):
    """Pipes or a volume alone, as given on a command line."""


class Supply(_Piping):
    pressure: ChannelName
    oxygen: ChannelName | None = None
    running: ChannelName | None = None
    temperature: ChannelName | None = None
    cut_in_kpa: AboveZero = Field(alias="cut_in")
    cut_out_kpa: AboveZero = Field(alias="cut_out")
    start_delay_s: Seconds = Field(default=8.0, alias="start_delay")
    tolerance_kpa: AboveZero = Field(default=TOLERANCE_KPA, alias="tolerance")
    production_l_min: Flow | None = Field(default=None, alias="production")
    compressor_l_min: Flow | None = Field(default=None, alias="compressor")
    purity_pct: Nitrogen = Field(default=98.0, alias="purity")
    warm_up_s: Seconds = Field(default=600.0, alias="warm_up")


class System(_Piping):
    name: Name
    pressure: ChannelName
    temperature: ChannelName | None = None
    regulated_kpa: AboveZero | None = Field(default=None, alias="regulated")
    low_pressure_kpa: AboveZero | None = Field(default=None, alias="low_pressure")


class Limits(_Table):
    low_pressure_kpa: AboveZero | None = Field(default=None, alias="low_pressure")
    high_pressure_kpa: AboveZero | None = Field(default=None, alias="high_pressure")
    longest_run_s: Seconds = Field(default=3 * 3600.0, alias="longest_run")
    runtime_per_day_s: Seconds = Field(default=6 * 3600.0, alias="runtime_per_day")
    starts_per_hour: Annotated[int, Field(ge=1, le=120)] = 6
    leak_growth: Annotated[float, Field(gt=1.0, le=100.0, strict=False)] = 2.0
    fast_drop_kpa_per_h: PressureRate = Field(default=3.0 * units.PSI * 60.0, alias="fast_drop")
    hold_loss_kpa_per_h: PressureRate = Field(default=units.PSI, alias="hold_loss")


class Reads(_Table):
    """What the input shows at two points: volts, milliamps over a shunt, or a share of the supply."""

    volts: Pair | None = None
    milliamps: Pair | None = None
    ratio: Pair | None = None
    as_: Pair = Field(alias="as")


class Channel(_Table):
    name: ChannelName
    quantity: Literal["pressure", "oxygen", "temperature", "barometer", "running", "voltage"]
    unit: str = ""
    input: str
    reads: Reads | None = None
    divider: Annotated[float, Field(ge=1.0, le=100.0, strict=False)] = 1.0
    shunt_ohm: Ohms | None = Field(default=None, alias="shunt")
    supplied_by: ChannelName | None = None  # the voltage channel that measures a ratiometric supply
    active: Literal["high", "low"] = "low"
    debounce_s: Seconds = Field(default=0.2, alias="debounce")
    calibrated: date | None = None  # a TOML date
    calibrate_every_s: Seconds = Field(default=182 * 86400.0, alias="calibrate_every")

    @property
    def kind(self) -> str:
        return self.input.partition(":")[0]

    @property
    def address(self) -> str:
        return self.input.partition(":")[2]


class Mqtt(_Table):
    """A broker to tell. The password comes from the environment or a systemd credential, never from here."""

    host: Name
    given_port: Annotated[int, Field(ge=1, le=65535)] | None = Field(default=None, alias="port")
    version: Literal["5", "3.1.1"] = "5"
    user: Name | None = None
    password_name: SecretName = "mqtt_password"
    tls: bool = False
    authority: str | None = None  # file; the system's own list where absent
    certificate: str | None = None  # our own, for a broker that asks for one; with its key
    key: str | None = None
    readings_every_s: Seconds = Field(default=10.0, alias="readings_every")
    repeat_s: NoneOrMore = Field(default=35 * 60.0, alias="repeat")

    @property
    def port(self) -> int:
        return self.given_port or (8883 if self.tls else 1883)


class Recipient(_Table):
    """Who gets mail about what; with `after`, only what nobody has acknowledged for so long."""

    address: MailAddress
    priorities: Annotated[list[Priority], Field(min_length=1)] = ["urgent", "soon", "planned"]
    sections: Annotated[list[Name], Field(min_length=1)] | None = None
    after_s: Seconds | None = Field(default=None, alias="after")


class Mail(_Table):
    """A mail server to tell people through, over TLS or not at all."""

    host: Name
    given_port: Annotated[int, Field(ge=1, le=65535)] | None = Field(default=None, alias="port")
    security: Literal["starttls", "tls"] = "starttls"
    authority: str | None = None
    user: Name | None = None
    password_name: SecretName = "mail_password"
    sender: MailAddress = Field(alias="from")
    to: Annotated[list[Recipient], Field(min_length=1)]
    quiet: list[SpanOfDay] = []
    remind_every_s: Seconds = Field(default=4 * 3600.0, alias="remind_every")
    digest_at: TimeOfDay = 7 * 60
    weekly: Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun", "never"] = "mon"
    page: WebAddress | None = None

    @property
    def port(self) -> int:
        return self.given_port or (465 if self.security == "tls" else 587)


class Page(_Table):
    address: Name = "0.0.0.0"
    port: Annotated[int, Field(ge=1, le=65535)] = 8080
    url: WebAddress | None = None  # as people type it
    certificate: str | None = None  # with its key: the page then speaks TLS, and nothing else
    key: str | None = None
    reading: Literal["open", "code"] = "open"  # who may read: anybody, or who knows the code
    plain_sign_in: bool = False  # whether a technician may sign in from afar without TLS


class Keeping(_Table):
    """How often is read and written, and how long what is kept."""

    every_s: Pace = Field(default=1.0, alias="every")
    write_every_s: Seconds = Field(default=100.0, alias="write_every")
    readings_s: Seconds = Field(default=30 * 86400.0, alias="readings")
    minutes_s: Seconds = Field(default=400 * 86400.0, alias="minutes")
    quarter_hours_s: Seconds = Field(default=11 * 365.25 * 86400.0, alias="quarter_hours")


class Inerting(_Table):
    """What the gas in the pipe is to become, and what nobody measures of it."""

    target_pct: Nitrogen = Field(default=98.0, alias="target")
    nitrogen_pct: Nitrogen | None = Field(default=None, alias="nitrogen")
    vent_l_min: Flow | None = Field(default=None, alias="vent")


class Cost(_Table):
    """The site's own numbers, for what a loss costs in a year."""

    currency: Currency = "USD"
    energy: Money | None = None  # of a kilowatt hour
    power_kw: Kilowatts | None = Field(default=None, alias="power")
    service_per_hour: Money | None = None


class Method(_Table):
    """A hold test of the site's own: how far the gauge may fall within how long."""

    name: Name
    duration_s: TestTime = Field(alias="duration")
    drop_kpa: AboveZero = Field(alias="drop")
    note: Name | None = None


class Periodic(_Table):
    """Work that comes again: after so long, or so much running, whichever is first."""

    name: Name
    section: Name | None = None
    every_s: Seconds | None = Field(default=None, alias="every")
    running_s: Seconds | None = Field(default=None, alias="every_running")
    standard: Name | None = None
    done: date | None = None  # a TOML date
    never: bool = False


class Box(_Table):
    """A button, a lamp and a buzzer on our own box; none commands anything on site."""

    button: Pin | None = None
    beacon: Pin | None = None
    buzzer: Pin | None = None


def mark(simulated: Collection[str], all_of_them: bool = False) -> str:
    """The sentence about channels that read no sensor; "" where there are none."""
    if not simulated:
        return ""
    if all_of_them:
        return "Simulated: these figures come from no sensor."
    return f"Simulated in part: no sensor is read for {', '.join(simulated)}."


class Settings(_Table):
    site: Site
    supply: Supply
    system: list[System] = []
    limits: Limits = Limits()
    channel: Annotated[list[Channel], Field(min_length=1)]
    mqtt: list[Mqtt] = []
    mail: list[Mail] = []
    page: Page = Page()
    keeping: Keeping = Keeping()
    method: list[Method] = []
    periodic: list[Periodic] = []
    box: Box = Box()
    inerting: Inerting = Inerting()
    cost: Cost = Cost()

    def place(self, channel: str | None) -> int | None:
        """The place of a channel's value in every tick, None for no channel."""
        return next((i for i, c in enumerate(self.channel) if c.name == channel), None)

    @property
    def simulated(self) -> tuple[str, ...]:
        """The channels that read no sensor."""
        return tuple(c.name for c in self.channel if c.kind == "simulated")

    @property
    def mark(self) -> str:
        """What must stand on everything that is shown or told; "" where every channel is real."""
        return mark(self.simulated, len(self.simulated) == len(self.channel))

    def section(self, channel: str) -> str:
        """The section a channel belongs to: the system that names it, else the supply."""
        for system in self.system:
            if channel in (system.pressure, system.temperature):
                return system.name
        return SUPPLY

    def without(self, absent: Collection[str]) -> "Settings":
        """The same site as a recording without these channels can show it.

        SettingsError when the supply's pressure is among them: nothing could be judged.
        """
        if not absent:
            return self
        if self.supply.pressure in absent:
            fault = f"supply.pressure: expected a column {self.supply.pressure}, found none"
            raise SettingsError([fault])
        lost = {
            key: None
            for key in ("oxygen", "running", "temperature")
            if getattr(self.supply, key) in absent
        }
        systems = [
            s.model_copy(update={"temperature": None}) if s.temperature in absent else s
            for s in self.system
            if s.pressure not in absent
        ]
        site = self.site
        if site.barometer in absent:
            site = site.model_copy(update={"barometer": None})
        supply = self.supply.model_copy(update=lost)
        return self.model_copy(update={"supply": supply, "system": systems, "site": site})

    @property
    def low_pressure_kpa(self) -> float:
        """The supply's low limit; without one of its own, 3 tolerances under cut-in."""
        if self.limits.low_pressure_kpa is not None:
            return self.limits.low_pressure_kpa
        return self.supply.cut_in_kpa - 3.0 * self.supply.tolerance_kpa

    @property
    def high_pressure_kpa(self) -> float:
        """The supply's high limit; without one of its own, 3 tolerances over cut-out."""
        if self.limits.high_pressure_kpa is not None:
            return self.limits.high_pressure_kpa
        return self.supply.cut_out_kpa + 3.0 * self.supply.tolerance_kpa


def load(path: Path) -> Settings:
    """The settings in a file; SettingsError carries every fault, each with path, expected, found."""
    try:
        text = path.read_bytes().decode()
    except OSError as error:
        raise SettingsError(
            [f"{path}: expected a settings file, found {error.strerror}"]
        ) from error
    except UnicodeDecodeError as error:
        raise SettingsError(
            [f"{path}: expected UTF-8 text, found a bad byte at {error.start}"]
        ) from error
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([f"{path}: expected TOML, found a fault: {error}"]) from error
    except RecursionError as error:
        raise SettingsError([f"{path}: expected TOML, found lists within lists"]) from error
    return check(raw)


def check(raw: Raw) -> Settings:
    """A table read from TOML, checked as a whole; SettingsError carries every fault."""
    faults: list[str] = []
    settings = None
    try:
        settings = Settings.model_validate(raw)
    except ValidationError as error:
        faults += [
            _fault(e["loc"], e["type"], e["msg"], e.get("ctx", {}), e["input"])
            for e in error.errors()
        ]
    for rule in RULES:
        faults += rule(raw)
    if faults or settings is None:
        raise SettingsError(sorted(set(faults), key=faults.index))
    return settings


def check_piping(raw: Raw) -> Piping:
    """Pipes or a volume alone; SettingsError carries every fault, its path from within the table."""
    faults = [fault.removeprefix("supply.") for fault in pipes_rule({"supply": raw})]
    piping = None
    try:
        piping = Piping.model_validate(raw)
    except ValidationError as error:
        faults += [
            _fault(e["loc"], e["type"], e["msg"], e.get("ctx", {}), e["input"])
            for e in error.errors()
        ]
    if faults or piping is None:
        raise SettingsError(list(dict.fromkeys(faults)))
    return piping


def _path(loc: tuple[int | str, ...]) -> str:
    path = ""
    for part in loc:
        path += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if path else part
    return path or "the file"


_EXPECTED: Mapping[str, str] = {
    "missing": "a value, as it is required",
    "extra_forbidden": "no such key",
    "string_type": "text in quotes",
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list",
    "date_type": "a date, as 2026-11-25 without quotes",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "string_too_short": "some text",
    "string_too_long": "at most {max_length} letters",
    "too_short": "at least {min_length} in the list",
    "too_long": "at most {max_length} in the list",
    "greater_than": "more than {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than_equal": "at most {le:g}",
}
"""Of each fault that the library finds, by its name there; {} is filled from what it says."""


def _fault(
    loc: tuple[int | str, ...], kind: str, message: str, ctx: Mapping[str, Any], value: object
) -> str:
    if kind == "value_error":
        expected = str(ctx["error"])
    elif kind == "literal_error":
        expected = str(ctx["expected"]).replace("'", '"')
    else:
        said = message[0].lower() + message[1:]
        expected = _EXPECTED.get(kind, said.removeprefix("input should be ")).format(**ctx)
    shown = "nothing" if kind == "missing" else found(value)
    return f"{_path(loc)}: expected {expected}, found {shown}"
