"""Passwords: taken from outside the settings, and kept out of everything that is written."""

import base64
import errno
import os
from collections.abc import Mapping
from pathlib import Path

HIDDEN = "(hidden)"


def password(name: str, environment: Mapping[str, str] = os.environ) -> str | None:
    """The password of that name: DRYHOLD_<NAME> in the environment, else the systemd credential
    <name>, else None. OSError for a credential that cannot be read."""
    variable = f"DRYHOLD_{name.upper()}"
    if variable in environment:
        return environment[variable]
    folder = environment.get("CREDENTIALS_DIRECTORY")
    if folder is None:
        return None
    path = Path(folder) / name
    try:
        return path.read_text("utf-8").rstrip("\n") if path.exists() else None
    except UnicodeDecodeError as error:
        raise OSError(errno.EILSEQ, "it is no UTF-8 text", str(path)) from error


def without(text: str, secret: str | None, user: str | None = None) -> str:
    """`text` with the secret taken out, plain or as a server may echo it back in base64."""
    if not secret:
        return text
    for form in sorted(spellings(secret, user), key=len, reverse=True):
        text = text.replace(form, HIDDEN)
    return text


def spellings(secret: str, user: str | None = None) -> list[str]:
    """A secret as it may stand in what is written: plain, or in base64 as servers are given it."""
    forms = [secret, _base64(secret)]
    if user is not None:
        forms.append(_base64(f"\0{user}\0{secret}"))
    return forms


def _base64(text: str) -> str:
    return base64.b64encode(text.encode()).decode()
