"""The I2C bus, shared safely: between threads, and between the daemon and a wiring check.

A converter is told what to convert, then asked for the result. Somebody else's order between
the two would put their input's value under our channel's name, so the bus is held throughout.
"""

import fcntl
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from edge.errors import SensorError

BUSY_S = 0.3  # the longest conversion of another program is a quarter of this
HUNG_S = 5.0
"""After error 110 the bus is left alone this long: each try on a stuck bus costs the kernel's
own time-out, about a second, and the tick has other channels to read."""


class Wire(Protocol):
    """Bytes to and from an address, as Blinka's I2C classes offer it. Errors are OSError."""

    def writeto(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None
    ) -> None: ...

    def readfrom_into(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None
    ) -> None: ...

    def writeto_then_readfrom(
        self,
        address: int,
        buffer_out: Any,
        buffer_in: Any,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None: ...


class Bus:
    """A wire with a lock of our own, and the lock the drivers of adafruit_bus_device ask for.

    `lock_path` is a file that every program on this bus locks while it holds it; None where no
    other program can reach the wire.
    """

    def __init__(
        self,
        wire: Wire,
        lock_path: Path | None,
        reopen: Callable[[], Wire] | None = None,
    ) -> None:
        """`reopen` gives the wire anew after error 110; without, the same is tried again."""
        self._wire, self._reopen = wire, reopen
        self._lock = threading.RLock()
        self._file = None if lock_path is None else os.open(lock_path, os.O_RDWR | os.O_CLOEXEC)
        self._hung_until: float | None = None

    def writeto(self, *given: Any, **more: Any) -> None:
        self._wire.writeto(*given, **more)

    def readfrom_into(self, *given: Any, **more: Any) -> None:
        self._wire.readfrom_into(*given, **more)

    def writeto_then_readfrom(self, *given: Any, **more: Any) -> None:
        self._wire.writeto_then_readfrom(*given, **more)

    def try_lock(self) -> bool:
        # Within held() this thread owns the lock already, so a driver never waits here.
        return self._lock.acquire(blocking=False)

    def unlock(self) -> None:
        self._lock.release()

    @contextmanager
    def held(self, steady: Callable[[], float], sleep: Callable[[float], None]) -> Iterator[None]:
        """Nobody else's order gets between; SensorError when the bus cannot be had in BUSY_S.

        Error 110 inside makes the bus refuse for HUNG_S, and then be opened anew: that helps where
        the kernel's driver was reset, and with it the controller. It frees no line that a chip
        holds low: Linux lets a program clock no pulses by hand; only the chip's supply does.
        """
        if self._hung_until is not None and steady() < self._hung_until:
            raise SensorError(
                f"the I2C bus timed out (error 110: a line held low?), tried every {HUNG_S:.0f} s"
            )
        if self._hung_until is not None and self._reopen is not None:
            try:
                self._wire = self._reopen()
            except (OSError, RuntimeError) as error:
                self._hung_until = steady() + HUNG_S
                raise SensorError(f"the I2C bus cannot be opened anew: {error}") from error
        self._hung_until = None
        if not self._lock.acquire(timeout=BUSY_S):
            raise SensorError("the I2C bus is in use by another thread")
        try:
            self._take_file(steady, sleep)
            try:
                yield
            except TimeoutError:
                self._hung_until = steady() + HUNG_S
                raise
            finally:
                if self._file is not None:
                    fcntl.flock(self._file, fcntl.LOCK_UN)
        finally:
            self._lock.release()

    def _take_file(self, steady: Callable[[], float], sleep: Callable[[float], None]) -> None:
        if self._file is None:
            return
        give_up = steady() + BUSY_S
        while True:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except BlockingIOError:
                if steady() >= give_up:
                    raise SensorError("the I2C bus is in use by another program") from None
                sleep(0.005)

    def close(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None


def open_pi_bus() -> Bus:
    """The Pi's bus 1, without `board`, which may stop at a terminal and ask to install things.

    Raises SensorError when the bus is switched off or not allowed to this user.
    """
    from adafruit_blinka.microcontroller.generic_linux.i2c import I2C

    device = Path("/dev/i2c-1")
    try:
        return Bus(I2C(1), device, lambda: I2C(1))  # the one before closes its file when let go
    except PermissionError as error:
        raise SensorError(f"{device} is not allowed to this user (group i2c)") from error
    except (OSError, RuntimeError) as error:
        raise SensorError(f"{device} cannot be opened: is I2C switched on?") from error
