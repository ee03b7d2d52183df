"""One session with a mail server: over TLS or not at all. Says which step failed, never a secret."""

import smtplib
import socket
import ssl
from collections.abc import Callable
from email.message import EmailMessage
from typing import Any

from edge.errors import DeliveryError
from edge.settings import Mail
from edge.tell.secrets import password, without

TIMEOUT_S = 30.0
MOST_LINES = 100
"""Of one reply: one without an end would fill the memory."""
LONGEST_SAID = 200
"""Characters of what a server says that are told on."""
HELLO = "[127.0.0.1]"  # an address literal: a box in a plant room has no name that resolves


class MailFault(DeliveryError):
    """A step that failed: "name", "port", "TLS", "login", "sender", "recipient" or "message"."""

    def __init__(self, step: str, text: str, lasting: bool = False) -> None:
        """`lasting` is what the server calls permanent (a reply of 5xx)."""
        self.step, self.lasting = step, lasting
        super().__init__(f"{step}: {text}")


class _Lines:
    """What the server says, line by line, up to MOST_LINES since `left` was set."""

    def __init__(self, file: Any) -> None:
        self._file = file
        self.left = MOST_LINES

    def readline(self, most: int) -> bytes:
        self.left -= 1
        if self.left < 0:
            raise OSError(f"a reply of more than {MOST_LINES} lines")
        return bytes(self._file.readline(most))

    def close(self) -> None:
        self._file.close()


class _Smtp(smtplib.SMTP):
    """The library's, which takes a reply of any length."""

    def getreply(self) -> tuple[int, bytes]:
        if isinstance(self.file, _Lines):
            self.file.left = MOST_LINES
        elif self.sock is not None:
            self.file = _Lines(self.sock.makefile("rb"))
        return super().getreply()


class _SmtpOverTls(_Smtp, smtplib.SMTP_SSL):
    """The same where TLS comes first."""


class Session:
    """Connects, turns to TLS and logs in on opening; then sends. MailFault for what fails."""

    def __init__(self, mail: Mail, step: Callable[[str, str], None] = lambda _s, _t: None) -> None:
        """`step` hears each step that was passed, and how."""
        self._mail = mail
        self._secret: str | None = None
        self._server: smtplib.SMTP | None = None
        host, port = mail.host, mail.port
        try:
            addresses = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError) as error:
            raise MailFault("name", f"{host} is not known here: {error}") from error
        step("name", f"{host} is {addresses[0][4][0]}")
        try:
            self._open(step)
        except MailFault:
            self.close()
            raise

    def send(self, letter: EmailMessage, recipient: str) -> None:
        """Hand over one letter to one recipient; on return the server has taken it."""
        server = self._server
        if server is None:
            raise MailFault("port", "the session is closed")
        try:
            server.send_message(letter, self._mail.sender, [recipient])
        except smtplib.SMTPSenderRefused as error:
            raise self._fault("sender", error.smtp_code, error.smtp_error) from error
        except smtplib.SMTPRecipientsRefused as error:
            code, said = next(iter(error.recipients.values()))
            raise self._fault("recipient", code, said) from error
        except smtplib.SMTPResponseException as error:
            raise self._fault("message", error.smtp_code, error.smtp_error) from error
        except (smtplib.SMTPException, OSError) as error:
            raise MailFault("port", f"the connection ended: {self._said(error)}") from error

    def close(self) -> None:
        server, self._server = self._server, None
        if server is None:
            return
        try:
            server.quit()
        except (smtplib.SMTPException, OSError):
            server.close()

    def _open(self, step: Callable[[str, str], None]) -> None:
        mail = self._mail
        where = f"{mail.host} port {mail.port}"
        try:
            context = ssl.create_default_context(cafile=mail.authority)
        except (OSError, ssl.SSLError) as error:
            raise MailFault("TLS", f"{mail.authority}: no list of authorities: {error}") from error
        try:
            if mail.security == "tls":
                self._server = _SmtpOverTls(
                    mail.host, mail.port, HELLO, timeout=TIMEOUT_S, context=context
                )
            else:
                self._server = _Smtp(mail.host, mail.port, HELLO, timeout=TIMEOUT_S)
        except ssl.SSLError as error:
            raise MailFault("TLS", f"{where}: {_reason(error)}") from error
        except smtplib.SMTPException as error:
            text = f"{where}: no mail server's greeting: {self._said(error)}"
            raise MailFault("port", text) from error
        except OSError as error:
            raise MailFault("port", f"{where}: {error}") from error
        step("port", f"{where} answers")
        try:
            self._server.ehlo_or_helo_if_needed()
            if mail.security == "starttls":
                if not self._server.has_extn("starttls"):
                    raise MailFault("TLS", f"{where} offers no STARTTLS; nothing is sent without")
                self._server.starttls(context=context)
                self._server.ehlo_or_helo_if_needed()
        except MailFault:
            raise
        except ssl.SSLError as error:
            raise MailFault("TLS", f"{where}: {_reason(error)}") from error
        except (smtplib.SMTPException, OSError) as error:
            raise MailFault("TLS", f"{where}: {self._said(error)}") from error
        line = self._server.sock
        step("TLS", str(line.version()) if isinstance(line, ssl.SSLSocket) else "none")
        if mail.user is not None:
            self._log_in(mail.user)
            step("login", f"as {mail.user}")

    def _log_in(self, user: str) -> None:
        server = self._server
        if server is None:
            raise MailFault("port", "the session is closed")
        try:
            self._secret = password(self._mail.password_name)
        except OSError as error:
            raise MailFault("login", f"the password cannot be read: {error.strerror}") from error
        if self._secret is None:
            variable = f"DRYHOLD_{self._mail.password_name.upper()}"
            raise MailFault("login", f"no password: expected it in {variable} or as a credential")
        try:
            server.login(user, self._secret)
        except smtplib.SMTPAuthenticationError as error:
            raise self._fault("login", error.smtp_code, error.smtp_error) from error
        except (smtplib.SMTPException, OSError, ValueError) as error:
            # A ValueError is a challenge that is no base64, or a password that is not ASCII.
            raise MailFault("login", self._said(error)) from error

    def _fault(self, step: str, code: int, said: bytes | str) -> MailFault:
        return MailFault(step, self._answer(code, said), 500 <= code < 600)

    def _said(self, error: Exception) -> str:
        if isinstance(error, smtplib.SMTPResponseException):
            return self._answer(error.smtp_code, error.smtp_error)
        return self._clean(str(error))

    def _answer(self, code: int, said: bytes | str) -> str:
        text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
        return f"the server said {code} {self._clean(text)}"

    def _clean(self, text: str) -> str:
        """On one line and not for ever, the secret taken out before anything is cut."""
        return " ".join(without(text, self._secret, self._mail.user).split())[:LONGEST_SAID]


def _reason(error: ssl.SSLError) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not good: {error.verify_message}"
    return str(error)
