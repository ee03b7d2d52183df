"""Seeds made wrong in the ways that files, wires and people make them wrong."""

import random
from collections.abc import Sequence

MORSELS = (
    b"\0", b"\xff", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\r\n", b"\"", b"'", b"<b>", b"%00", b"../../etc",
    b"1e400", b"-1e308", b"NaN", b"Infinity", b"-0", b"9" * 400, b"18446744073709551616", b"2147483648",
    b"0001-01-01T00:00:00Z", b"9999-12-31T23:59:59-23:59", b"2026-02-30", b"null", b"true", b"[]", b"{}",
    b"[" * 2000, b'{"a":' * 2000, b"\xe2\x80\xae", b"\xc2\xa0", b"'; DROP TABLE events; --", b"{{7*7}}",
)  # fmt: skip


def mutated(seed: bytes, dice: int, others: Sequence[bytes]) -> bytes:
    """`seed` after up to eight changes that `dice` decides; the same dice give the same bytes."""
    rng = random.Random(dice)
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
