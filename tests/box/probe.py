"""Tries, from inside a unit's sandbox, all that it should not be able to do. Prints JSON.

Run by the box's own Python in place of the daemon or the page, so it needs nothing but it."""

import ctypes
import json
import mmap
import os
import socket
import sys
import tempfile

PASSED_OVER = ("/proc", "/sys")


def writable_folders() -> list[str]:
    """Every folder in which a file can be made; the file is taken away again."""
    found = []
    for folder, inner, _ in os.walk("/"):
        if folder == "/":
            inner[:] = [name for name in inner if f"/{name}" not in PASSED_OVER]
        try:
            file, path = tempfile.mkstemp(prefix=".probe-", dir=folder)
        except OSError:
            continue
        os.close(file)
        os.unlink(path)
        found.append(folder)
    return found


def writable_files() -> list[str]:
    """Files outside those folders that can be opened for writing, kernel's included."""
    found = []
    for top in ("/etc", "/opt", "/usr", "/var", "/run", "/proc/sys", "/sys"):
        for folder, _, names in os.walk(top):
            for name in names:
                path = os.path.join(folder, name)
                if os.path.realpath(path) == "/dev/null":  # as units are masked
                    continue
                try:
                    os.close(os.open(path, os.O_WRONLY | os.O_NONBLOCK))
                except OSError:
                    continue
                found.append(path)
    return found


def done(deed: object) -> bool:
    try:
        deed()  # type: ignore[operator]
    except (OSError, ValueError):
        return False
    return True


def suid() -> None:
    with tempfile.NamedTemporaryFile() as file:
        os.chmod(file.name, 0o4755)


def call(name: str, *given: object) -> None:
    """A function of the C library that answers -1 where it is refused."""
    if getattr(ctypes.CDLL(None, use_errno=True), name)(*given) == -1:
        raise OSError(ctypes.get_errno(), name)


def reads(path: str) -> None:
    with open(path, "rb") as file:
        file.read(1)


DEEDS = {
    "memory that is written and run": lambda: mmap.mmap(
        -1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC
    ).close(),
    "a raw packet socket": lambda: socket.socket(socket.AF_PACKET, socket.SOCK_RAW).close(),
    "a netlink socket": lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW).close(),
    "a file that runs as its owner": suid,
    "becoming root": lambda: os.setuid(0),
    "a name space of its own": lambda: call("unshare", 0x10000000),
    "mounting": lambda: call("mount", b"none", b"/mnt", b"tmpfs", 0, None),
    # Nothing is changed, and anybody may ask so outside of a sandbox.
    "reaching for the clock": lambda: call("clock_adjtime", 0, ctypes.create_string_buffer(512)),
    "watching another process": lambda: call("ptrace", 16, 1, None, None),
    "seeing another's processes": lambda: reads("/proc/1/cmdline"),
    "the machine's memory": lambda: reads("/dev/mem"),
    "the kernel's log": lambda: reads("/dev/kmsg"),
    "a terminal": lambda: reads("/dev/console"),
    "what passwords hash to": lambda: reads("/etc/shadow"),
    "root's home": lambda: os.listdir("/root"),
    "a broker's password on disk": lambda: reads("/etc/dryhold/mqtt_password"),
}

if __name__ == "__main__":
    found = {
        "folders": writable_folders(),
        "files": writable_files(),
        "deeds": [name for name, deed in DEEDS.items() if done(deed)],
        "user": os.getuid(),
    }
    json.dump(found, sys.stdout)
