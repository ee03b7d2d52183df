"""What others on the network can reach."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "tell"))
from brokers import Broker, until

from edge.settings import load

LISTENS, UNCONNECTED = "0A", "07"  # states of TCP and UDP in /proc/net, as the kernel numbers them


def open_ports(process: int) -> list[tuple[str, int]]:
    """(protocol, port) of every socket of the process that takes what others send."""
    fds = Path(f"/proc/{process}/fd").iterdir()
    held = {str(fd.readlink()) for fd in fds if fd.is_symlink()}
    found = []
    for protocol, state in (("tcp", LISTENS), ("udp", UNCONNECTED)):
        for family in (protocol, f"{protocol}6"):
            for row in Path(f"/proc/{process}/net/{family}").read_text().splitlines()[1:]:
                _, local, _, st, *_, inode = row.split()[:10]
                if st == state and f"socket:[{inode}]" in held:
                    found.append((protocol, int(local.rpartition(":")[2], 16)))
    return found


@contextmanager
def running(*words: str) -> Iterator["subprocess.Popen[str]"]:
    with subprocess.Popen(
        [sys.executable, "-m", "edge", *words],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[1],
    ) as process:
        try:
            yield process
        finally:
            process.terminate()
            process.wait(20.0)


def test_no_port_is_open_but_the_pages(needs: object, saltmarsh: Path, tmp_path: Path) -> None:
    """Daemon and page at work, a broker connected: of both only the page's one port takes what others send."""
    with ExitStack() as opened:
        broker = Broker(needs("mosquitto"), tmp_path)  # type: ignore[operator]
        opened.callback(broker.stop)
        site = tmp_path / "site.toml"
        more = f'\n[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        site.write_text(saltmarsh.read_text() + more)
        assert load(site).mqtt
        where = ["--settings", str(site), "--state", str(tmp_path / "state")]
        daemon = opened.enter_context(running("run", *where))
        page = opened.enter_context(running("page", *where, "--host", "127.0.0.1", "--port", "0"))
        assert page.stdout is not None
        port = int(page.stdout.readline().rstrip("/\n").rpartition(":")[2])
        until(lambda: "dryhold-saltmarsh-lane" in broker.log(), "the broker to be told")
        assert open_ports(daemon.pid) == []
        assert open_ports(page.pid) == [("tcp", port)]
