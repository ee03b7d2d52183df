"""Tells systemd "ready", "alive" and "stopping" (the sd_notify protocol); silent without it."""

import os
import socket
from collections.abc import Mapping


class Heartbeat:
    """A datagram to $NOTIFY_SOCKET for each thing said."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        # A leading @ stands for Linux's abstract namespace.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._ready = False

    def beat(self) -> None:
        """To be called at the end of each whole tick, by the page after each answer; the first one
        says that we are ready."""
        self._say("WATCHDOG=1" if self._ready else "READY=1\nWATCHDOG=1")
        self._ready = True

    def stopping(self) -> None:
        self._say("STOPPING=1")

    def _say(self, words: str) -> None:
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
            line.connect(self._address)
            line.sendall(words.encode())
