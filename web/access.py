"""The technician's access code: kept as a hash in a file of the state folder that nobody else reads.

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
from argon2.exceptions import InvalidHashError, VerificationError

from edge.errors import AccessError

FILE = "access.json"
SHORTEST, LONGEST = 8, 128

_HASHER = PasswordHasher(time_cost=5, memory_cost=7 * 1024, parallelism=1)
_ONE_AT_A_TIME = threading.Lock()


class Lock(NamedTuple):
    """What is kept: the code's hash, and the secret that signs this page's cookies."""

    code: str
    secret: bytes


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


def set_code(folder: Path, code: str) -> None:
    """Keep a new code in the state folder; whoever is signed in is signed out by it.

    AccessError for a code that will not do, or a folder that cannot be written.
    """
    wrong = faults(code)
    if wrong is not None:
        raise AccessError(f"the code: {wrong}")
    with _ONE_AT_A_TIME:
        hashed = _HASHER.hash(_plain(code))
    text = json.dumps({"version": 1, "code": hashed, "secret": secrets.token_hex(32)})
    keep_private(folder / FILE, text.encode())


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
        return Lock(str(kept["code"]), bytes.fromhex(kept["secret"]))
    except FileNotFoundError:
        return None
    except AccessError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise AccessError(f"{path}: expected an access code, found: {error}") from error


def right(lock: Lock, code: str) -> bool:
    """Whether this is the code; takes as long for a wrong one."""
    if len(code) > LONGEST:
        return False
    try:
        with _ONE_AT_A_TIME:
            return _HASHER.verify(lock.code, _plain(code))
    except VerificationError:
        return False
    except InvalidHashError as error:
        raise AccessError(f"{FILE}: expected a hash, found something else") from error
