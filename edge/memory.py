"""Memory that was needed for a moment goes back to the system."""

import ctypes

M_MMAP_THRESHOLD, M_ARENA_MAX = -3, -8  # mallopt(3)
LARGE = 1 << 20


def give_back() -> None:
    """For this process, where the C library is one that would rather keep it: what hashing a code
    or drawing a picture takes is megabytes, and each thread would keep some of its own."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(M_MMAP_THRESHOLD, LARGE)
        mallopt(M_ARENA_MAX, 1)
