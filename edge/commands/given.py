"""What several commands are given on the command line, read once."""

import argparse
from datetime import datetime


def moment(text: str) -> float:
    """A time with its offset, as seconds since 1970 UTC."""
    try:
        stamp = datetime.fromisoformat(text)
    except ValueError:
        stamp = None
    if stamp is None or stamp.tzinfo is None:
        raise argparse.ArgumentTypeError(
            f'expected a time as 2026-11-25T08:00:00Z, with its offset, found "{text}"'
        )
    return stamp.timestamp()
