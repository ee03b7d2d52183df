"""The technician's and the reader's code: kept as hashes in a file of the state folder that nobody else reads.

Argon2id with 7 MiB and 5 passes: the small-memory setting of OWASP's Password Storage Cheat Sheet
(from memory), for a page that must stay under 64 MB; one code is hashed at a time.
"""

import json
import os
import secrets
import threading
import unicodedata
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError, VerifyMismatchError

from edge.errors import AccessError

FILE = "access.json"
SHORTEST, LONGEST = 8, 128

_HASHER = PasswordHasher(time_cost=5, memory_cost=7 * 1024, parallelism=1)
_ONE_AT_A_TIME = threading.Lock()


class Lock(NamedTuple):
    """What is kept: hashes of the technician's and the reader's code, None where one was never
    set, and the secret that signs this page's cookies."""

    code: str | None
    secret: bytes
    reader: str | None = None


def _plain(code: str) -> str:
    """One spelling of what may be typed in several ways (accents, keyboards)."""
    return unicodedata.normalize("NFC", code)


def faults(code: str) -> str | None:
    """What is wrong with a code that somebody would set; None where nothing is."""
    code = _plain(code)
    if not SHORTEST <= len(code) <= LONGEST:
        return f"expected {SHORTEST} to {LONGEST} characters, found {len(code)}"
    steps = {ord(b) - ord(a) for a, b in pairwise(code)}
    if len(set(code)) < 4 or steps in ({1}, {-1}):
        return "expected a code that is not guessed at once, found a row or the same few characters"
    return None


def set_code(folder: Path, code: str, *, reader: bool = False) -> None:
    """Keep a new code in the state folder; who is signed in with the old one is signed out by it.

    `reader`: the code for reading; else the technician's. AccessError for a code that will not do,
    or a folder that cannot be written.
    """
    wrong = faults(code)
    if wrong is not None:
        raise AccessError(f"the code: {wrong}")
    with _ONE_AT_A_TIME:
        hashed = _HASHER.hash(_plain(code))
    old = read(folder) if reader else _if_readable(folder)
    secret = old.secret if reader and old is not None else secrets.token_bytes(32)
    kept = {
        "version": 1,
        "code": hashed if not reader else None if old is None else old.code,
        "reader": hashed if reader else None if old is None else old.reader,
        "secret": secret.hex(),
    }
    keep_private(folder / FILE, json.dumps(kept).encode())


def _if_readable(folder: Path) -> Lock | None:
    """A new technician's code is the way out of a broken file, whose reader's code is then lost."""
    try:
        return read(folder)
    except AccessError:
        return None


def keep_private(path: Path, content: bytes) -> None:
    """Put a file that only its owner reads in place in one step; AccessError where that fails.

    What root makes belongs to the owner of the folder, whom the page runs as.
    """
    fresh = path.with_name(f"{path.name}.new")
    try:
        owner = path.parent.stat()
        fresh.unlink(missing_ok=True)
        file = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(file, "wb") as out:
            out.write(content)
            out.flush()
            if os.geteuid() == 0:
                os.fchown(out.fileno(), owner.st_uid, owner.st_gid)
            os.fsync(out.fileno())
        os.replace(fresh, path)
    except OSError as error:
        raise AccessError(f"{path}: expected to keep it, found: {error.strerror}") from error


def read(folder: Path) -> Lock | None:
    """What is kept, None where no code was ever set; AccessError where it cannot be trusted."""
    path = folder / FILE
    try:
        with path.open("rb") as file:
            if os.fstat(file.fileno()).st_mode & 0o077:
                raise AccessError(f"{path}: expected a file that only its owner may read")
            kept = json.load(file)
        hashes = kept["code"], kept.get("reader")
        if not all(h is None or isinstance(h, str) for h in hashes):
            raise ValueError("something else than hashes")
        return Lock(hashes[0], bytes.fromhex(kept["secret"]), hashes[1])
    except FileNotFoundError:
        return None
    except AccessError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise AccessError(f"{path}: expected an access code, found: {error}") from error


def right(lock: Lock, code: str) -> bool:
    """Whether this is the technician's code; takes as long for a wrong one."""
    return _is(lock.code, code)


def may_read(lock: Lock, code: str) -> bool:
    """Whether this is the reader's code; as `right`."""
    return _is(lock.reader, code)


def _is(hashed: str | None, code: str) -> bool:
    if hashed is None or len(code) > LONGEST:
        return False
    try:
        with _ONE_AT_A_TIME:
            return _HASHER.verify(hashed, _plain(code))
    except (VerifyMismatchError, UnicodeEncodeError):
        return False
    except VerificationError as error:  # short of memory: nothing is known of the code
        raise AccessError(f"expected to try the code, found: {error}") from error
    except ValueError as error:  # InvalidHashError, or text that is none at all
        raise AccessError(f"{FILE}: expected a hash, found something else") from error
