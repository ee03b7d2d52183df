"""One session with a mail server: over TLS or not at all. Says which step failed, never a secret."""

import smtplib
import socket
import ssl
from collections.abc import Callable
from email.message import EmailMessage

from edge.errors import DeliveryError
from edge.settings import Mail
from edge.tell.secrets import password, without

TIMEOUT_S = 30.0
HELLO = "[127.0.0.1]"  # an address literal: a box in a plant room has no name that resolves


class MailFault(DeliveryError):
    """A step that failed: "name", "port", "TLS", "login", "sender", "recipient" or "message"."""

    def __init__(self, step: str, text: str, lasting: bool = False) -> None:
        """`lasting` is what the server calls permanent (a reply of 5xx)."""
        self.step, self.lasting = step, lasting
        super().__init__(f"{step}: {text}")


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
            raise MailFault("port", self._clean(f"the connection ended: {error}")) from error

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
                self._server = smtplib.SMTP_SSL(
                    mail.host, mail.port, HELLO, timeout=TIMEOUT_S, context=context
                )
            else:
                self._server = smtplib.SMTP(mail.host, mail.port, HELLO, timeout=TIMEOUT_S)
        except ssl.SSLError as error:
            raise MailFault("TLS", f"{where}: {_reason(error)}") from error
        except smtplib.SMTPException as error:
            raise MailFault("port", f"{where}: no mail server's greeting: {error}") from error
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
            raise MailFault("TLS", f"{where}: {error}") from error
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
        except (smtplib.SMTPException, OSError, UnicodeError) as error:
            raise MailFault("login", self._clean(str(error))) from error

    def _fault(self, step: str, code: int, said: bytes | str) -> MailFault:
        text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
        text = " ".join(text.split())[:200]
        return MailFault(step, f"the server said {code} {self._clean(text)}", 500 <= code < 600)

    def _clean(self, text: str) -> str:
        return without(text, self._secret, self._mail.user)


def _reason(error: ssl.SSLError) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not good: {error.verify_message}"
    return str(error)
