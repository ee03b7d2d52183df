"""A real mail server on loopback, with STARTTLS or TLS from the first byte and AUTH."""

import asyncio
import contextlib
import email
import ssl
from collections.abc import Callable
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import Any, NamedTuple

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from brokers import free_port

USER, PASSWORD = "dryhold", "a-secret-that-must-not-be-seen"
SENDER = "dryhold@saltmarsh.example"


class Got(NamedTuple):
    to: str
    letter: EmailMessage
    raw: bytes


class Authority:
    """An authority of the test's own, and the certificates that it gives."""

    def __init__(self, folder: Path) -> None:
        self._ca = trustme.CA()
        self.file = folder / "authority.pem"
        self._ca.cert_pem.write_to_path(self.file)
        self._folder = folder

    def server(self, **more: Any) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.cert(**more).configure_cert(context)
        return context

    def cert(self, *names: str, **more: Any) -> trustme.LeafCert:
        return self._ca.issue_cert(*(names or ("127.0.0.1", "localhost")), **more)

    def files(self, name: str, *names: str, **more: Any) -> tuple[Path, Path]:
        """Certificate and key as files."""
        found = self.cert(*names, **more)
        cert, key = self._folder / f"{name}.crt", self._folder / f"{name}.key"
        found.cert_chain_pems[0].write_to_path(cert)
        found.private_key_pem.write_to_path(key)
        return cert, key


class Mailbox:
    """The server; keeps what it took, in order. `refuse(recipient)` gives a reply, or None."""

    def __init__(
        self,
        tls: ssl.SSLContext | None,
        implicit: bool = False,
        refuse: Callable[[str], str | None] = lambda _: None,
        refuse_data: Callable[[Got], str | None] = lambda _: None,
        port: int | None = None,
    ) -> None:
        self.got: list[Got] = []
        self.logins: list[str] = []
        self._lines: set[SMTP] = set()
        self._refuse, self._refuse_data = refuse, refuse_data
        self.port = port or free_port()
        more: dict[str, Any] = {}
        if tls is not None:
            more = {"ssl_context": tls} if implicit else {"tls_context": tls}
        self._controller = Controller(
            self,
            hostname="127.0.0.1",
            port=self.port,
            authenticator=self._authenticate,
            auth_required=tls is not None,
            auth_require_tls=not implicit and tls is not None,
            require_starttls=tls is not None and not implicit,
            **more,
        )
        self._controller.start()

    def close(self) -> None:
        """Gone, with every connection still open."""
        asyncio.run_coroutine_threadsafe(self._hang_up(), self._controller.loop).result(10.0)
        self._controller.stop()

    async def _hang_up(self) -> None:
        lines, self._lines = self._lines, set()
        for line in lines:
            # One over TLS that was closed twice already fails to abort, in Python 3.11.2.
            with contextlib.suppress(AttributeError):
                if line.transport is not None:
                    line.transport.abort()
        for _ in range(3):  # turns of the loop, in which the sockets are closed
            await asyncio.sleep(0)

    def _authenticate(
        self, server: SMTP, _session: Session, _envelope: Envelope, _way: str, given: Any
    ) -> AuthResult:
        self._lines.add(server)
        good = (
            isinstance(given, LoginPassword)
            and given.login == USER.encode()
            and given.password == PASSWORD.encode()
        )
        self.logins.append("good" if good else "bad")
        return AuthResult(success=good, handled=False)

    async def handle_RCPT(
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: Any
    ) -> str:
        reply = self._refuse(address)
        if reply is not None:
            return reply
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        raw = envelope.content
        assert isinstance(raw, bytes)
        letter = email.message_from_bytes(raw, policy=default)
        assert isinstance(letter, EmailMessage)
        for to in envelope.rcpt_tos:
            got = Got(to, letter, raw)
            reply = self._refuse_data(got)
            if reply is not None:
                return reply
            self.got.append(got)
        return "250 OK"
