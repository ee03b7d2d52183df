"""dryhold page: the page, a process of its own."""

import argparse
import contextlib
import logging
import signal
import ssl
import threading
from collections.abc import Iterator
from pathlib import Path

from edge.attendance import Attendance
from edge.errors import AccessError, StoreError
from edge.heartbeat import Heartbeat
from edge.lastgood import load_or_last
from edge.memory import give_back
from edge.settings import Page
from web import PLACES, create_app
from web.listener import Adapter, PageServer, listener
from web.pulse import Pulse


def _port(text: str) -> int:
    port = int(text)
    if not 0 <= port <= 65535:
        raise argparse.ArgumentTypeError("expected 0 to 65535")
    return port


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, help="the site's settings, TOML")
    parser.add_argument("--state", type=Path, required=True, help="the folder of the database")
    parser.add_argument(
        "--runtime", type=Path, help="the folder of latest.json; the state folder where not given"
    )
    parser.add_argument("--host", help="address to listen on; the settings' where not given")
    parser.add_argument(
        "--port", type=_port, help="port; the settings' where not given, 0 any free"
    )


def run(args: argparse.Namespace) -> int:
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    give_back()
    settings = load_or_last(args.settings, args.state).settings
    host = args.host or settings.page.address
    port = settings.page.port if args.port is None else args.port
    app = create_app(settings, args.state, args.runtime or args.state)
    server = listener(app, host, port, settings.site.id)
    server.ssl_adapter = _tls(settings.page)
    try:
        server.prepare()
    except OSError as error:
        raise StoreError(f"{host} port {port}: expected a free port, found: {error}") from error

    def stop(_number: int, _frame: object) -> None:
        app.extensions[PLACES].close()
        # Stopping waits for the serving loop, which this handler interrupts: so from aside.
        threading.Thread(target=server.stop).start()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    shown = "localhost" if server.bind_addr[0] in ("0.0.0.0", "::") else server.bind_addr[0]
    scheme = "http" if server.ssl_adapter is None else "https"
    print(f"{settings.site.name}: {scheme}://{shown}:{server.bind_addr[1]}/", flush=True)
    with _told(server, args.state):
        server.serve()
    return 0


@contextlib.contextmanager
def _told(server: PageServer, state: Path) -> Iterator[None]:
    """Let systemd and the daemon know that the page answers, each time that it does."""
    heartbeat = Heartbeat()
    try:
        there = Attendance(state)
    except OSError:
        there = None  # another page serves the same history, and is the one that is looked after

    def beat() -> None:
        if there is not None:
            there.answered()
        heartbeat.beat()

    pulse = Pulse(server.bind_addr[:2], server.ssl_adapter is not None, beat)
    pulse.start()
    try:
        yield
    finally:
        pulse.stop()
        heartbeat.stopping()
        if there is not None:
            there.close()


def _tls(page: Page) -> Adapter | None:
    """What encrypts, where the settings name a certificate and its key."""
    if page.certificate is None or page.key is None:
        return None
    try:
        adapter = Adapter(page.certificate, page.key)
    except (OSError, ssl.SSLError) as error:
        raise AccessError(
            f"page.certificate: expected a certificate and its key, found: {error}"
        ) from error
    adapter.context.minimum_version = ssl.TLSVersion.TLSv1_2
    return adapter
