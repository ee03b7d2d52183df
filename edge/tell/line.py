"""One mail server, and the thread that speaks with it."""

import queue
import threading
from collections.abc import Callable
from email.message import EmailMessage
from typing import NamedTuple

from edge.settings import Mail
from edge.tell.post import MailFault, Session

LINGER_S = 5.0
GOODBYE_S = 3.0


class Line:
    """Sending never holds up a tick."""

    def __init__(self, mail: Mail) -> None:
        self._mail = mail
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def send(
        self,
        write: Callable[[], EmailMessage] | None,
        recipient: str,
        done: Callable[[object], None],
    ) -> None:
        """Write and hand over a letter, or without one only log in; `done` gets None once the
        server has taken it, else the MailFault, or the exception that a fault in the program
        raised."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, daemon=True, name="mail")
            self._thread.start()
        self._jobs.put(_Job(write, recipient, done))

    def stop(self) -> None:
        """Let what is under way end, within a few seconds."""
        thread, self._thread = self._thread, None
        if thread is not None:
            self._jobs.put(None)
            thread.join(GOODBYE_S)

    def _work(self) -> None:
        session: Session | None = None
        while True:
            try:
                job = self._jobs.get(timeout=LINGER_S if session is not None else None)
            except queue.Empty:
                if session is not None:
                    session.close()
                session = None
                continue
            if job is None:
                break
            try:
                message = None if job.write is None else job.write()
                if session is None:
                    session = Session(self._mail)
                if message is not None:
                    session.send(message, job.recipient)
            except MailFault as fault:
                if session is not None:
                    session.close()
                session = None
                job.done(fault)
            except Exception as error:
                # The daemon hears of it and goes on watching; its log says where it was.
                job.done(error)
            else:
                job.done(None)
        if session is not None:
            session.close()


class _Job(NamedTuple):
    write: Callable[[], EmailMessage] | None
    recipient: str
    done: Callable[[object], None]
