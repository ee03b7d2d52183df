"""README's install followed on a real systemd, as root: python -m tests.box [--folder DIR] ...

A Debian in a folder (debootstrap), booted with systemd-nspawn; then README's own lines, copied from
it: install, passwords, back-up, restore, removal, upgrade and its way back, and a root that is read
only. Broker and mail server are real and on loopback. Prints what was found; exits with 1 where
anything is not as it should be. Needs debootstrap, systemd-container and mosquitto; takes some
minutes, most of them packages.
"""

import argparse
import contextlib
import sys
import tempfile
import traceback
from collections.abc import Iterator
from pathlib import Path

from tests.box import pi, steps
from tests.box.machine import Machine

REPOSITORY = Path(__file__).parents[2]


@contextlib.contextmanager
def _folder(given: Path | None) -> Iterator[Path]:
    if given is not None:
        given.mkdir(parents=True, exist_ok=True)
        yield given
        return
    with tempfile.TemporaryDirectory(prefix="dryhold-box-") as made:
        yield Path(made)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.box")
    parser.add_argument("--folder", type=Path, help="kept, so that the next time is quicker")
    parser.add_argument(
        "--copy", type=Path, action="append", default=[], help="into the root: certificates, pip's"
    )
    parser.add_argument("--bind", type=Path, action="append", default=[], help="read-only")
    parser.add_argument("--older", help="commit to upgrade from; by default the last older schema")
    parser.add_argument("steps", nargs="*", help=f"some of {', '.join(steps.STEPS)}; default all")
    args = parser.parse_args()
    found = steps.Found()
    with _folder(args.folder) as folder:
        for name in args.steps or steps.STEPS:
            print(f"--- {name}", flush=True)
            arch = steps.ARCHES.get(name)
            if arch is not None and not pi.EMULATOR.exists():
                print(f"       {pi.EMULATOR} is not there: not tried", flush=True)
                continue
            machine = Machine(folder, args.copy, args.bind, arch)
            try:
                steps.STEPS[name](machine, REPOSITORY, args.older, found)
            except Exception:
                traceback.print_exc()
                print(machine.ask("journalctl -q --no-pager -n 60 -u 'dryhold*'"), flush=True)
                found.say(f"{name} came to its end", False)
            finally:
                machine.halt()
    print(f"{found.good} as it should be, {found.bad} not")
    return 1 if found.bad else 0


if __name__ == "__main__":
    sys.exit(main())
