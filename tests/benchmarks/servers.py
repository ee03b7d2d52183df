"""What the depot with everything on tells, and what it has behind it: brokers, mail server, history."""

import importlib
import os
import shutil
import string
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from edge.model import Event
from edge.settings import Settings, load
from edge.store.write import Writer
from tests.benchmarks.everything import UNTIL
from web.access import set_code

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
PATH = "/usr/sbin:/usr/bin:/usr/local/sbin:/bin"
CODE = "a reader's code for programs"
FIVE_YEARS = 5 * 365.25


def programs(benchmark: str) -> list[str]:
    """The broker and its password tool; ends the benchmark where they are absent."""
    found = [shutil.which(name, path=PATH) for name in ("mosquitto", "mosquitto_passwd")]
    if None in found:
        raise SystemExit(f"{benchmark}: needs mosquitto and mosquitto_passwd")
    return [str(one) for one in found]


def of_tests(part: str, *names: str) -> list[Any]:
    """Modules from a folder of the tests, which import each other by their bare names."""
    folder = str(ROOT / "tests" / part)
    if folder not in sys.path:
        sys.path.insert(0, folder)
    return [importlib.import_module(name) for name in names]


class Depot:
    """A folder on the disk with the site's settings, its servers, and its years if asked for."""

    def __init__(self, folder: Path, opened: ExitStack, benchmark: str) -> None:
        mosquitto, passwd = programs(benchmark)
        brokers, post = of_tests("tell", "brokers", "postoffice")
        self.folder, self.site, self.state = folder, folder / "site.toml", folder / "state"
        authority, users = post.Authority(folder), folder / "users"
        users.touch(0o600)
        subprocess.run([passwd, "-b", users, post.USER, post.PASSWORD], check=True)
        cert, key = authority.files("broker")
        secured = f"certfile {cert}\nkeyfile {key}\nallow_anonymous false\npassword_file {users}\n"
        made = []
        for name, lines in (("mqtt_5", secured), ("mqtt_3", "allow_anonymous true")):
            (folder / name).mkdir()
            made.append(brokers.Broker(mosquitto, folder / name, lines))
            opened.callback(made[-1].stop)
        self.office = post.Mailbox(authority.server())
        opened.callback(self.office.close)
        self.plain_port = made[1].port
        template = string.Template((HERE / "everything.toml").read_text(encoding="utf-8"))
        text = template.substitute(
            page=brokers.free_port(),
            mqtt_5=made[0].port,
            mqtt_3=made[1].port,
            mail=self.office.port,
            authority=authority.file,
            user=post.USER,
        )
        self.site.write_text(text, encoding="utf-8")
        self.settings = load(self.site)
        self.environment = {
            **os.environ,
            "DRYHOLD_MAIL_PASSWORD": post.PASSWORD,
            "DRYHOLD_MQTT_PASSWORD": post.PASSWORD,
        }

    def live(
        self,
        days: float,
        name: str = "state",
        until: float = UNTIL,
        settings: Settings | None = None,
    ) -> Path:
        """A state folder with so many days behind it, a calibration and a reader's code."""
        settings = settings or self.settings
        (years,) = of_tests("web", "years")
        state = self.folder / name
        state.mkdir()
        years.keep(state, settings, days, until=until)
        told = {"channel": "oxygen", "point": "air", "known_pct": 20.7, "raw": 20.3}
        found = {"gain": 1.02, "offset": 0.0, "output_rel": 0.97, "sd_pct": 0.1, "by": "Ana Ruiz"}
        text = "The oxygen cell was calibrated in air."
        made = Event(until - 3600.0, "calibrated", text, "supply", {**told, **found})
        writer = Writer(state, settings, [])
        writer.keep([], [made], None)
        writer.close()
        set_code(state, CODE, reader=True)
        return state


@contextmanager
def depot(benchmark: str, parent: Path | None = None) -> Iterator[Depot]:
    """The depot in a folder of its own below `parent` (default: here, on the disk)."""
    with (
        tempfile.TemporaryDirectory(dir=parent or Path.cwd(), prefix=".bench-") as name,
        ExitStack() as opened,
    ):
        yield Depot(Path(name), opened, benchmark)
