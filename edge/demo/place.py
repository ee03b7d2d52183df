"""Where a demo lives: free ports, and the invented site's settings fitted to them."""

import socket
from importlib.resources import files
from pathlib import Path

LOOPBACK = "127.0.0.1"
STORY = "depot"


def free_port(wanted: int) -> int:
    """`wanted` when it can be listened on at the loopback, else one that can."""
    for port in (wanted, 0):
        with socket.socket() as s:
            s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                s.bind((LOOPBACK, port))
                s.listen()
            except OSError:
                continue
            return int(s.getsockname()[1])
    raise OSError(f"no port can be listened on at {LOOPBACK}")


def answers(port: int) -> bool:
    """Whether anything accepts connections at the loopback's `port`."""
    try:
        with socket.create_connection((LOOPBACK, port), timeout=1.0):
            return True
    except OSError:
        return False


def write_settings(
    path: Path, page_port: int, mqtt_port: int, speed: float, story: str = STORY
) -> None:
    """The settings of the invented site, its channels on the story, its broker and page here.

    Paces are stretched with `speed`, so that disk and broker see no more than a real site's.
    """
    site = files("edge").joinpath("saltmarsh.toml").read_text(encoding="utf-8")
    site = site.replace('input = "simulated"', f'input = "simulated:{story}"')
    every_s = min(10.0, max(1.0, speed / 100.0))
    path.write_text(
        f"""{site}
[[mqtt]]
host = "{LOOPBACK}"
port = {mqtt_port}
version = "3.1.1"
readings_every = "{speed:.0f} s"

[page]
address = "{LOOPBACK}"
port = {page_port}

[keeping]
every = "{every_s:g} s"
write_every = "{max(10.0, 2 * speed):.0f} s"
""",
        encoding="utf-8",
    )
