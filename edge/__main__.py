"""The dryhold command: one file in edge/commands for each word it knows."""

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from edge import __version__
from edge.errors import DryholdError

COMMANDS = {
    "check": "report every fault in a settings file",
    "replay": "judge a recording as the daemon would have",
    "baseline": "show, set or learn anew what the supply did when it was handed over",
    "backtest": "show what other settings would have said about this site's history",
    "hold": "judge, start, follow, stop, list or judge again hold tests",
    "size": "work out gas volume, air supply, runs and cost, from settings or arguments",
    "purge": "work out how nitrogen takes the place of air, from settings or arguments",
    "records": "list, show, verify or export the records",
    "page": "serve the status page",
    "access": "set the technician's access code, or make a certificate for the page",
    "label": "make the label for the box's door, with the page's address as QR code",
    "run": "watch a site: sense, judge, keep and tell, until stopped",
    "notify-test": "try every way of telling, end to end, and say exactly what failed",
    "export": "write what was kept as a recording, CSV",
    "backup": "write one file from which the box can be made anew",
    "restore": "put a back-up in place of what the state folder has",
    "support": "put together what helps to find a fault, without secrets",
    "wiring": "show every channel in volts and in its unit, live, for hooking up",
    "demo": "show it all on a simulated plant, in fast time",
}
"""Every command with what it does. To add one: a file in edge/commands, and a line here."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; its exit status: 0 done, 1 a plain no, 2 could not be done."""
    parser = argparse.ArgumentParser(
        prog="dryhold", description="Watches the nitrogen supply of dry-pipe and preaction piping."
    )
    parser.add_argument("--version", action="version", version=f"dryhold {__version__}")
    words = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    given = list(sys.argv[1:] if argv is None else argv)
    for name, summary in COMMANDS.items():
        sub = words.add_parser(
            name, help=summary, description=summary[0].upper() + summary[1:] + "."
        )
        if (
            name in given[:1]
        ):  # load only what will run: hardware and web libraries are slow to load
            module = importlib.import_module(f"edge.commands.{name.replace('-', '_')}")
            module.arguments(sub)
            sub.set_defaults(run=module.run)
    args = parser.parse_args(given)
    try:
        return int(args.run(args))
    except DryholdError as error:
        print(f"dryhold {args.command}: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output (head, a closed pager) has seen enough.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


if __name__ == "__main__":
    sys.exit(main())
