"""dryhold page: the status page, a process of its own that only reads."""

import argparse
import signal
import threading
from pathlib import Path

from cheroot.wsgi import Server

from edge.errors import StoreError
from edge.settings import load
from web import create_app

THREADS = 4


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, help="the site's settings, TOML")
    parser.add_argument("--state", type=Path, required=True, help="the folder of the database")
    parser.add_argument(
        "--runtime", type=Path, help="the folder of latest.json; the state folder where not given"
    )
    parser.add_argument("--host", help="address to listen on; the settings' where not given")
    parser.add_argument("--port", type=int, help="port; the settings' where not given, 0 any free")


def run(args: argparse.Namespace) -> int:
    settings = load(args.settings)
    host = args.host or settings.page.address
    port = settings.page.port if args.port is None else args.port
    app = create_app(settings, args.state, args.runtime or args.state)
    server = Server((host, port), app, numthreads=THREADS, server_name=settings.site.id)
    try:
        server.prepare()
    except OSError as error:
        raise StoreError(f"{host} port {port}: expected a free port, found: {error}") from error

    def stop(_number: int, _frame: object) -> None:
        # Stopping waits for the serving loop, which this handler interrupts: so from aside.
        threading.Thread(target=server.stop).start()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    shown = "localhost" if server.bind_addr[0] in ("0.0.0.0", "::") else server.bind_addr[0]
    print(f"{settings.site.name}: http://{shown}:{server.bind_addr[1]}/", flush=True)
    server.serve()
    return 0
