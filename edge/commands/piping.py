"""Piping and quantities as given on the command line; every fault in them told at once."""

import argparse
import json
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from edge.core import units
from edge.core.volume import Volume
from edge.errors import SettingsError
from edge.settings import Pipe, Settings, Units, check_piping, load

SHOWN = Units(flow="scfm")
METRIC = Units(pressure="bar", temperature="°C", flow="L/min", volume="L")

_PIPE = re.compile(
    r"\s*(?P<whole>\d+)?(?:[\s-]+(?=\d+/))?(?P<part>\d+/\d+)?"
    r"\s+(?:(?:sch(?:edule)?\s*)?(?P<schedule>\d+)|wall\s+(?P<wall>[\d.]+\s*[a-z]+))"
    r"(?:\s+|\s*x\s*)(?P<length>[\d.]+\s*[a-z]+)\s*"
)
EXAMPLE = '"SIZE SCHEDULE LENGTH" as "2-1/2 40 120 ft", or "8 wall 0.188 in 60 ft"'


def arguments(parser: argparse.ArgumentParser, options: Mapping[str, tuple[str, str]]) -> None:
    """Where the piping is: a settings file, or pipes, or a volume; and the command's own
    quantities, each with its shape and help."""
    parser.add_argument("--settings", type=Path, metavar="FILE", help="the site's, or else:")
    parser.add_argument("--section", metavar="NAME", help="one section of it (default: all)")
    parser.add_argument(
        "--pipe", action="append", default=[], metavar="PIPE", help=f"{EXAMPLE}; may be repeated"
    )
    parser.add_argument("--fittings", metavar="SHARE", help='more for the fittings, as "5 %%"')
    parser.add_argument("--volume", metavar="VOLUME", help='as "640 gal", instead of pipes')
    parser.add_argument("--metric", action="store_true", help="bar, L and L/min without settings")
    parser.add_argument("--json", action="store_true", help="one JSON object, in inside units")
    for name, (shape, text) in options.items():
        parser.add_argument(f"--{name}", metavar=shape, help=text)


def tell(
    sections: Iterable[dict[str, Any]],
    as_json: bool,
    account: Callable[[dict[str, Any]], Iterable[str]],
    caution: str,
) -> None:
    """Print what was found of each section: one JSON object, or its account and the caution."""
    if as_json:
        print(json.dumps({"sections": list(sections)}, ensure_ascii=False, allow_nan=False))
        return
    for section in sections:
        print("\n".join(account(section)), end="\n\n")
    print(caution)


class Given:
    """Reads quantities from arguments and gathers what is wrong with them."""

    def __init__(self, args: argparse.Namespace, shown: Units = SHOWN) -> None:
        """`shown` are the units of the answer where neither settings nor --metric say them."""
        self._args, self._shown = args, shown
        self.faults: list[str] = []
        self.settings: Settings | None = None if args.settings is None else load(args.settings)
        if self.settings is not None:
            for name in ("pipe", "volume", "fittings"):
                if getattr(args, name):
                    self.faults.append(
                        f"--{name}: expected none beside --settings, found"
                        f" {_quoted(getattr(args, name))}"
                    )
        elif not args.pipe and args.volume is None and getattr(args, "fill_flow", None) is None:
            self.faults.append("expected --settings, --pipe or --volume, found none of them")
        elif args.pipe and args.volume is not None:
            self.faults.append(
                f'--volume: expected either pipes or a volume, found "{args.volume}"'
            )
        if self.settings is None and args.section is not None:
            self.faults.append(f'--section: expected only with --settings, found "{args.section}"')

    @property
    def units(self) -> Units:
        if self.settings is not None:
            return self.settings.site.units
        return METRIC if self._args.metric else self._shown

    def given(self, name: str) -> bool:
        """Whether the option was given."""
        return getattr(self._args, name.replace("-", "_")) is not None

    def quantity(
        self,
        name: str,
        kind: str,
        default: float | None = None,
        *,
        least: float = 0.0,
        some: bool = False,
    ) -> float | None:
        """The option's value in the inside unit, `default` where it is not given; with `some`
        nothing is not enough."""
        text = getattr(self._args, name.replace("-", "_"))
        if text is None:
            return default
        try:
            value = units.parse(kind, text)
            if value < least:
                raise ValueError(f"{least:g} or more")
            if some and value <= 0.0:
                raise ValueError("more than zero")
        except ValueError as error:
            self.faults.append(f'--{name}: expected {error}, found "{text}"')
            return default
        return value

    def share(self, name: str, default: float) -> float:
        """A percentage between 0 and 100."""
        value = self.quantity(name, "fraction", default)
        if value is not None and value > 100.0:
            self.faults.append(
                f'--{name}: expected 0 % to 100 %, found "{getattr(self._args, name)}"'
            )
        return default if value is None else value

    def piping(self) -> tuple[list[Pipe], Volume | None]:
        """The pipes given on the command line, and the volume of them or as given."""
        table: dict[str, Any] = {}
        if self._args.volume is not None:
            table["volume"] = self._args.volume
        if self._args.fittings is not None:
            table["fittings"] = self._args.fittings
        rows = []
        for i, text in enumerate(self._args.pipe, 1):
            row = _pipe(text)
            if row is None:
                self.faults.append(f'--pipe {i}: expected {EXAMPLE}, found "{text}"')
            else:
                rows.append(row)
        if len(rows) != len(self._args.pipe) or (not rows and "volume" not in table):
            return [], None
        if rows:
            table["pipe"] = rows
        try:
            found = check_piping(table)
        except SettingsError as error:
            self.faults += [
                re.sub(r"^(\w)", r"--\1", fault.replace("pipe[", "pipe ").replace("].", ", ", 1))
                for fault in error.faults
            ]
            return [], None
        return found.pipe, found.take_off

    def sections(self, known: Iterable[str]) -> list[str]:
        """Those asked for of the sections that are known."""
        names = list(known)
        wanted = self._args.section
        if wanted is None:
            return names
        if wanted not in names:
            self.faults.append(f'--section: expected one of {", ".join(names)}, found "{wanted}"')
            return []
        return [wanted]

    def settle(self) -> None:
        """SettingsError with every fault, where there is one."""
        if self.faults:
            raise SettingsError(self.faults)


def _pipe(text: str) -> dict[str, str] | None:
    found = _PIPE.fullmatch(text.replace(",", " "))
    if found is None or not (found["whole"] or found["part"]):
        return None
    size = "-".join(part for part in (found["whole"], found["part"]) if part)
    wall = {"wall": found["wall"]} if found["wall"] else {"schedule": found["schedule"]}
    return {"size": size, "length": found["length"], **wall}


def _quoted(value: object) -> str:
    return ", ".join(f'"{v}"' for v in value) if isinstance(value, list) else f'"{value}"'
