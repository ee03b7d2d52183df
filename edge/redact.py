"""What is taken out of whatever leaves the site to find a fault: secrets always, names if asked.

Settings are passed by a list of what may stay: a key that the settings do not know may be anything,
a password too. What is hidden there is then taken out of all other text as well. Pure.
"""

import json
import re
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from pydantic import BaseModel

from edge.settings import Settings

HIDDEN = "(hidden)"

SECRET = frozenset({"user", "address", "from"})
"""Keys whose text is always hidden: log-ins, and the addresses of people ([page] address is not)."""

NAMES = frozenset(
    {"name", "id", "contact", "host", "page", "note", "sections", "elevation", "time_zone"}
)
"""Keys whose text is hidden where names are: whose site it is, and where. Channels keep theirs."""

PEOPLE = frozenset({"by", "who", "why_shelved", "note", "confirmed", "valves", "signatures"})
"""Keys that hold what people are called or what they wrote, beside all that end in _by."""

TELLS_NOTHING = frozenset({"supply", "dryhold"})
"""What stands everywhere at every site, even where somebody calls a log-in so."""

_KEY = re.compile(
    r"-----BEGIN [A-Z ]*PRIVATE KEY-----.*?(?:-----END [A-Z ]*PRIVATE KEY-----|\Z)", re.S
)
_SAID = re.compile(r"(?i)\b((?:password|passwd|secret|token|authorization)\s*[=:]\s*)[^\s\"',;]+")
_URL = re.compile(r"(?<=//)[^/@\s\"']+(?=@)")
_BROKEN = re.compile(
    r"(?im)\b(?:user|from|address|\w*(?:pass|secret|token|key|code)\w*)\s*=\s*([\"'])(.*?)\1"
)
_MAIL = re.compile(r"[A-Za-z0-9._%+-]+@[A-Za-z0-9.-]+")


class Found:
    """Settings fit to be shown, and what was hidden in them."""

    def __init__(self, raw: Mapping[str, Any], names: bool) -> None:
        """`raw` as TOML gives it, faults and all; `names` says whether names are hidden."""
        self.hidden: set[str] = set()
        self._names = names
        self.shown = self._table(raw, Settings, "")

    def _table(self, raw: Mapping[str, Any], model: type[BaseModel] | None, path: str) -> Any:
        known = {} if model is None else {f.alias or n: f for n, f in model.model_fields.items()}
        shown = {}
        for key, value in raw.items():
            field = known.get(key)
            if field is None:
                shown[key] = self._hide(value)
                continue
            inner = _inner(field.annotation)
            private = key in SECRET and path != "page"
            named = self._names and key in NAMES and inner is None and path != "channel"
            if private or named:
                shown[key] = self._hide(value)
            else:
                shown[key] = self._value(value, inner, key)
        return shown

    def _value(self, value: Any, inner: type[BaseModel] | None, key: str) -> Any:
        if isinstance(value, Mapping):
            # A table of plain values (two points of a sensor) is known whole or not at all.
            return self._table(value, inner, key)
        if isinstance(value, list):
            return [self._value(one, inner, key) for one in value]
        return value if isinstance(value, (bool, int, float)) else str(value)

    def _hide(self, value: Any) -> Any:
        # Small numbers stand everywhere: taking those out of all text would leave nothing to read.
        self.hidden |= {t for t in texts(value) if len(t) > 3 or not t.isdigit()} - TELLS_NOTHING
        return HIDDEN


def _inner(annotation: Any) -> type[BaseModel] | None:
    """The table that a key holds, or a list of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_inner(part) for part in getattr(annotation, "__args__", ()))
    return next((model for model in found if model is not None), None)


def texts(value: Any) -> Iterable[str]:
    """Every text and number inside plain data, as text."""
    if isinstance(value, Mapping):
        for inside in value.values():
            yield from texts(inside)
    elif isinstance(value, (list, tuple)):
        for inside in value:
            yield from texts(inside)
    elif value is not None and not isinstance(value, bool):
        yield str(value)


def people(value: Any) -> Iterable[str]:
    """What stands under a key of PEOPLE, anywhere inside plain data."""
    if isinstance(value, Mapping):
        for key, inside in value.items():
            named = key in PEOPLE or str(key).endswith("_by")
            if not named:
                yield from people(inside)
                continue
            for text in texts(inside):
                yield text
                # "Ann Example (10.0.0.9)" stands as one in a record, and its parts in sentences.
                yield from (part for part in re.split(r" \(|\)$", text) if part)
    elif isinstance(value, (list, tuple)):
        for inside in value:
            yield from people(inside)


def cleaner(secrets: Collection[str]) -> re.Pattern[str] | None:
    """What finds every one of these texts, as JSON spells them too; the longest first,
    short ones only as whole words."""
    plain = {s.strip() for s in secrets if s.strip()}
    spelled = plain | {json.dumps(s)[1:-1] for s in plain}
    spelled |= {json.dumps(s, ensure_ascii=False)[1:-1] for s in plain}
    given = sorted(spelled, key=len, reverse=True)
    forms = [re.escape(s) if len(s) > 3 else rf"(?<!\w){re.escape(s)}(?!\w)" for s in given]
    return re.compile("|".join(forms)) if forms else None


def clean(value: Any, secrets: re.Pattern[str] | None) -> Any:
    """Text, or plain data with texts in it, without these, without keys, mail addresses, and what
    follows a word for a secret."""
    if isinstance(value, Mapping):
        cleaned: dict[str, Any] = {}
        for key, inside in value.items():
            name = fresh = str(_clean(str(key), secrets))
            while fresh in cleaned:  # two names that are both hidden
                fresh = f"{name} {len(cleaned)}"
            cleaned[fresh] = clean(inside, secrets)
        return cleaned
    if isinstance(value, (list, tuple)):
        return [clean(inside, secrets) for inside in value]
    return _clean(value, secrets) if isinstance(value, str) else value


def _clean(text: str, secrets: re.Pattern[str] | None) -> str:
    text = _KEY.sub(HIDDEN, text)
    if secrets is not None:
        text = secrets.sub(HIDDEN, text)
    text = _SAID.sub(rf"\g<1>{HIDDEN}", _URL.sub(HIDDEN, text))
    return _MAIL.sub(HIDDEN, text)


def told_in(broken: str) -> Iterable[str]:
    """Values of keys that sound like a secret, in settings that are no TOML."""
    return (found[2] for found in _BROKEN.finditer(broken))
