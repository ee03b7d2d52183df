"""The kinds of input a channel can have. To add one: a file here, and a line in KINDS."""

import re
from collections.abc import Mapping
from typing import NamedTuple


class Kind(NamedTuple):
    """Where the code of an input kind is (loaded only when used) and how its address is written."""

    module: str  # offers open_sensor(channel, settings, bench) -> Sensor
    address: re.Pattern[str]
    example: str
    quantities: frozenset[str] | None = None  # None: any


KINDS: Mapping[str, Kind] = {
    "ads1115": Kind(
        "edge.sensors.ads1115",
        re.compile(r"0x4[89ab]/(?:[0-3]|0-1|0-3|1-3|2-3)"),
        "ads1115:0x48/0, or ads1115:0x48/0-1 for the difference of two pins",
        frozenset({"pressure", "oxygen", "temperature", "barometer", "voltage"}),
    ),
    "gpio": Kind(
        "edge.sensors.gpio",
        re.compile(r"(?:[0-9]|1[0-9]|2[0-7])"),
        "gpio:17",
        frozenset({"running"}),
    ),
    "w1": Kind(
        "edge.sensors.w1",
        re.compile(r"28-[0-9a-f]{12}"),
        "w1:28-0316a2795c01",
        frozenset({"temperature"}),
    ),
    "simulated": Kind("edge.sensors.simulated", re.compile(r"[a-z_]*"), "simulated"),
}
