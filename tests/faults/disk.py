"""A faulty disk: every byte that SQLite writes goes through here, and may fail or be lost.

    with Disk() as disk:
        disk.fails = Fault.FULL            every write fails, until set back to None
        disk.cut_at(n)                     the power goes at the nth write or sync from now on
        disk.was_cut                       whether it has gone
        disk.after(folder, other, chance)      what the card holds of it when the power is back

The power cut is a picture of the card taken at that moment; the program goes on without knowing, and
is thrown away. What was synced is whole. Of what was written since the last sync of its file, any
part is lost: each write, in any order, whole, torn at sectors of 512 bytes, or not at all. A file
that was created and never synced may not be there; one that was deleted may be there still, until its folder was
synced.

It stands between SQLite and the system as a VFS of SQLite's own making (https://sqlite.org/vfs.html),
put into the library that Python's sqlite3 uses. Files that are not SQLite's are not seen.
"""

import ctypes
import os
from collections.abc import Callable
from copy import deepcopy
from ctypes import CFUNCTYPE, POINTER, c_char_p, c_int, c_int64, c_void_p
from enum import Enum
from pathlib import Path
from random import Random
from types import TracebackType
from typing import Any, NamedTuple, Self

SECTOR = 512
OPEN_READONLY, OPEN_READWRITE, OPEN_CREATE = 0x1, 0x2, 0x4
CANTOPEN = 14


class Fault(Enum):
    """What a write, a sync and a truncation give while the disk fails so (SQLite's codes)."""

    FULL = 13
    BROKEN = 778  # an input/output error while writing
    READ_ONLY = 8  # nor can a file be opened for writing, or made


class Write(NamedTuple):
    offset: int
    data: bytes


class Truncation(NamedTuple):
    size: int


class Held:
    """One file as the card has it, and what was written to it since."""

    def __init__(self, durable: bytes | None) -> None:
        self.durable = durable  # None: not on the card
        self.pending: list[Write | Truncation] = []
        self.deleted = False

    def sync(self) -> None:
        image = bytearray(self.durable or b"")
        for change in self.pending:
            _apply(image, change)
        self.durable, self.pending = bytes(image), []

    def after(self, chance: Random, lost: float) -> bytes | None:
        """What is left of it, `lost` being how likely a write is not there."""
        if self.deleted:
            return self.durable if chance.random() < 0.5 else None
        if self.durable is None and (not self.pending or chance.random() < 0.5):
            return None
        image = bytearray(self.durable or b"")
        for change in self.pending:
            if chance.random() < lost:
                continue
            if isinstance(change, Write) and chance.random() < 0.3:
                for start in range(0, len(change.data), SECTOR):
                    if chance.random() < 0.5:
                        piece = change.data[start : start + SECTOR]
                        _apply(image, Write(change.offset + start, piece))
            else:
                _apply(image, change)
        return bytes(image)


def _apply(image: bytearray, change: Write | Truncation) -> None:
    if isinstance(change, Truncation):
        del image[change.size :]
        return
    end = change.offset + len(change.data)
    if len(image) < change.offset:
        image.extend(bytes(change.offset - len(image)))
    image[change.offset : end] = change.data


class _Vfs(ctypes.Structure):
    """sqlite3_vfs, version 3."""

    _fields_ = [
        ("iVersion", c_int), ("szOsFile", c_int), ("mxPathname", c_int), ("pNext", c_void_p),
        ("zName", c_char_p), ("pAppData", c_void_p),
        *((name, c_void_p) for name in (
            "xOpen", "xDelete", "xAccess", "xFullPathname", "xDlOpen", "xDlError", "xDlSym",
            "xDlClose", "xRandomness", "xSleep", "xCurrentTime", "xGetLastError",
            "xCurrentTimeInt64", "xSetSystemCall", "xGetSystemCall", "xNextSystemCall",
        )),
    ]  # fmt: skip


class _Methods(ctypes.Structure):
    """sqlite3_io_methods, version 3."""

    _fields_ = [
        ("iVersion", c_int),
        *((name, c_void_p) for name in (
            "xClose", "xRead", "xWrite", "xTruncate", "xSync", "xFileSize", "xLock", "xUnlock",
            "xCheckReservedLock", "xFileControl", "xSectorSize", "xDeviceCharacteristics",
            "xShmMap", "xShmLock", "xShmBarrier", "xShmUnmap", "xFetch", "xUnfetch",
        )),
    ]  # fmt: skip


class _File(ctypes.Structure):
    _fields_ = [("pMethods", POINTER(_Methods))]


_OPEN = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_int, POINTER(c_int))
"""The name stays an address: SQLite goes on using it after the call."""

_DELETE = CFUNCTYPE(c_int, c_void_p, c_char_p, c_int)
_CLOSE = CFUNCTYPE(c_int, c_void_p)
_WRITE = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int, c_int64)
_TRUNCATE = CFUNCTYPE(c_int, c_void_p, c_int64)
_SYNC = CFUNCTYPE(c_int, c_void_p, c_int)


def library() -> Any:
    """The SQLite that Python's sqlite3 uses; None where it is not a library of its own."""
    import sqlite3

    try:
        found = ctypes.CDLL("libsqlite3.so.0")
    except OSError:
        return None
    found.sqlite3_libversion.restype = c_char_p
    found.sqlite3_vfs_find.restype = POINTER(_Vfs)
    found.sqlite3_vfs_find.argtypes = [c_char_p]
    found.sqlite3_vfs_register.argtypes = [POINTER(_Vfs), c_int]
    found.sqlite3_vfs_unregister.argtypes = [POINTER(_Vfs)]
    maps = Path("/proc/self/maps").read_text()
    inside = (
        "libsqlite3.so" in maps and found.sqlite3_libversion().decode() == sqlite3.sqlite_version
    )
    return found if inside else None


class Disk:
    """Under every connection that is opened while it is entered."""

    def __init__(self) -> None:
        self.fails: Fault | None = None
        self.written = 0  # writes, truncations and syncs so far
        self.seen: Callable[[], object] = lambda: None  # called when the power goes
        self.was_cut = False
        self._cut_at: int | None = None
        self._cut: dict[str, Held] = {}
        self._held: dict[str, Held] = {}
        self._open: dict[int, str] = {}  # by the address of SQLite's file
        self._tables: dict[int, _Methods] = {}
        self._library = library()
        self._real = self._library.sqlite3_vfs_find(None)

    def __enter__(self) -> Self:
        real = self._real.contents
        # SQLite holds these for as long as it may call them.
        self._callbacks = (
            _OPEN(self._on_open), _DELETE(self._on_delete), _CLOSE(self._on_close),
            _WRITE(self._on_write), _TRUNCATE(self._on_truncate), _SYNC(self._on_sync),
        )  # fmt: skip
        self._vfs = _Vfs.from_buffer_copy(real)
        self._vfs.zName, self._vfs.pNext = b"faulty disk", None
        self._vfs.xOpen = ctypes.cast(self._callbacks[0], c_void_p)
        self._vfs.xDelete = ctypes.cast(self._callbacks[1], c_void_p)
        self._real_open = _OPEN(real.xOpen)
        self._real_delete = _DELETE(real.xDelete)
        self._library.sqlite3_vfs_register(ctypes.byref(self._vfs), 1)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close every connection before."""
        self._library.sqlite3_vfs_unregister(ctypes.byref(self._vfs))
        self._library.sqlite3_vfs_register(self._real, 1)

    def cut_at(self, number: int) -> None:
        """Let the power go at the `number`th write, truncation or sync from now on."""
        self.was_cut, self._cut, self._cut_at = False, {}, self.written + number

    def after(self, before: Path, folder: Path, chance: Random) -> None:
        """Put what the cut left of every file in the folder `before` into another folder."""
        assert self.was_cut
        folder.mkdir(parents=True)
        for path in before.iterdir():
            if path.is_file() and str(path) not in self._cut and not path.name.endswith("-shm"):
                (folder / path.name).write_bytes(path.read_bytes())  # never opened
        lost = chance.choice((0.05, 0.5, 0.95, 1.0))
        for path, held in self._cut.items():
            if path.endswith("-shm"):
                continue
            image = held.after(chance, lost)
            if image is not None:
                (folder / os.path.basename(path)).write_bytes(image)

    def forget(self) -> None:
        """Take what lies on the disk now as synced; nothing may be open."""
        self._held.clear()

    # --- what SQLite calls; an exception in here would be lost

    def _count(self) -> None:
        self.written += 1
        if self._cut_at is not None and self.written >= self._cut_at:
            self._cut_at, self.was_cut = None, True
            self._cut = deepcopy(self._held)
            self.seen()

    def _on_open(self, _vfs: int, name: int | None, file: int, flags: int, out: Any) -> int:
        path = None if name is None else os.fsdecode(ctypes.string_at(name))
        if path is not None and self.fails is Fault.READ_ONLY and flags & OPEN_READWRITE:
            if not os.path.exists(path):
                return CANTOPEN
            flags = flags & ~(OPEN_READWRITE | OPEN_CREATE) | OPEN_READONLY
        existed = path is not None and os.path.exists(path)
        code = int(self._real_open(self._real, name, file, flags, out))
        if code == 0 and path is not None:
            held = self._held.get(path)
            if held is None or held.deleted:
                self._held[path] = Held(Path(path).read_bytes() if existed else None)
                if self.was_cut and path not in self._cut:
                    self._cut[path] = deepcopy(self._held[path])  # as it was when the power went
            self._open[file] = path
            handle = ctypes.cast(file, POINTER(_File)).contents
            handle.pMethods = ctypes.pointer(self._table(handle.pMethods))
        return code

    def _table(self, real: Any) -> _Methods:
        address = ctypes.addressof(real.contents)
        if address not in self._tables:
            table = _Methods.from_buffer_copy(real.contents)
            self._real_close = _CLOSE(table.xClose)
            self._real_write = _WRITE(table.xWrite)
            self._real_truncate = _TRUNCATE(table.xTruncate)
            self._real_sync = _SYNC(table.xSync)
            for field, callback in zip(
                ("xClose", "xWrite", "xTruncate", "xSync"), self._callbacks[2:], strict=True
            ):
                setattr(table, field, ctypes.cast(callback, c_void_p))
            self._tables[address] = table
        return self._tables[address]

    def _on_delete(self, _vfs: int, name: bytes, sync_folder: int) -> int:
        if self.fails is not None:
            return 10 | 10 << 8  # an input/output error while deleting
        code = int(self._real_delete(self._real, name, sync_folder))
        held = self._held.get(os.fsdecode(name))
        if code == 0 and held is not None:
            held.deleted = True
        return code

    def _on_close(self, file: int) -> int:
        self._open.pop(file, None)
        return int(self._real_close(file))

    def _on_write(self, file: int, data: int, size: int, offset: int) -> int:
        if self.fails is not None:
            return self.fails.value
        self._held[self._open[file]].pending.append(Write(offset, ctypes.string_at(data, size)))
        self._count()
        return int(self._real_write(file, data, size, offset))

    def _on_truncate(self, file: int, size: int) -> int:
        if self.fails is not None:
            return self.fails.value
        self._held[self._open[file]].pending.append(Truncation(size))
        self._count()
        return int(self._real_truncate(file, size))

    def _on_sync(self, file: int, flags: int) -> int:
        if self.fails is not None:
            return self.fails.value
        self._count()
        held = self._held[self._open[file]]
        if held.durable is None:
            # SQLite syncs the folder with a file that it has just made, and with it what became of
            # the folder's other files.
            for other in self._held.values():
                if other.deleted:
                    other.durable = None
        held.sync()
        return int(self._real_sync(file, flags))
