"""Seeds made wrong in the ways that files, wires and people make them wrong."""

import random
import re
from collections.abc import Sequence

MORSELS = (
    b"\0", b"\xff", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\r\n", b"\"", b"'", b"<b>", b"%00", b"../../etc",
    b"1e400", b"-1e308", b"NaN", b"Infinity", b"-0", b"9" * 400, b"18446744073709551616", b"2147483648",
    b"0001-01-01T00:00:00Z", b"9999-12-31T23:59:59-23:59", b"2026-02-30", b"null", b"true", b"[]", b"{}",
    b"[" * 2000, b'{"a":' * 2000, b"\xe2\x80\xae", b"\xc2\xa0", b"'; DROP TABLE events; --", b"{{7*7}}",
)  # fmt: skip
NUMBERS = (
    b"0", b"-1", b"1", b"0.1", b"1e-300", b"1e300", b"-1e300", b"4294967295", b"9007199254740993", b"1e9",
    b"9" * 400, b"null", b"true", b'"x"', b'"\\ud800"', b"[]", b"{}",
)  # fmt: skip

_TOKEN = re.compile(rb'"(?:[^"\\\n]|\\.)*"|[\w.+-]+|[^\s\w]')
_NUMBER = re.compile(rb"[-+]?\d[\d.eE+-]*")


def mutated(seed: bytes, dice: int, others: Sequence[bytes]) -> bytes:
    """`seed` after up to eight changes that `dice` decides; the same dice give the same bytes.

    Every other time whole words, numbers and quoted texts change places, so that what comes out
    still parses and leads further in.
    """
    rng = random.Random(dice)
    if rng.random() < 0.5:
        return _reworded(seed, rng, others)
    data = bytearray(seed)
    for _ in range(rng.randint(1, 8)):
        at = rng.randint(0, len(data))
        until = min(len(data), at + rng.choice((1, 2, 4, 16, 64)))
        way = rng.randrange(7)
        if way == 0 and data:
            data[at - 1] ^= 1 << rng.randrange(8)
        elif way == 1:
            data[at:at] = rng.choice(MORSELS)
        elif way == 2:
            data[at:until] = rng.choice(MORSELS)
        elif way == 3:
            del data[at:until]
        elif way == 4:
            data[at:at] = data[at:until] * rng.choice((1, 2, 50))
        elif way == 5:
            other = rng.choice(others)
            cut = rng.randint(0, len(other))
            data[at:] = other[cut:]
        else:
            data[at:until] = rng.randbytes(until - at)
    return bytes(data)


def _reworded(seed: bytes, rng: random.Random, others: Sequence[bytes]) -> bytes:
    """Up to four tokens replaced by tokens of their kind, from this seed or another."""
    data = seed
    for _ in range(rng.randint(1, 4)):
        start = rng.randint(0, max(0, len(data) - 1))
        found = _TOKEN.search(data, start) or _TOKEN.search(data)
        if found is None:
            return data
        old = found[0]
        if _NUMBER.fullmatch(old):
            new = rng.choice(NUMBERS)
        else:
            other = rng.choice(others)
            theirs = _TOKEN.search(other, rng.randint(0, max(0, len(other) - 1)))
            new = rng.choice(MORSELS) if theirs is None or rng.random() < 0.2 else theirs[0]
            if old[:1] == b'"' and new[:1] != b'"' and rng.random() < 0.8:
                new = b'"' + new + b'"'
        data = data[: found.start()] + new + data[found.end() :]
    return data
