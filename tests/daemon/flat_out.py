"""A real daemon on a simulated plant, without waiting: python flat_out.py SETTINGS STATE

After each tick it says, in one line, what it sensed: the tick's second and values as JSON."""

import json
import sys
from pathlib import Path

from edge.clock import ManualClock
from edge.settings import load
from edge.wiring import daemon

T0 = 1_764_072_000.0
AWAY_S = 37.0  # what passes between the end of one and the start of the next


def main(settings: Path, state: Path) -> None:
    with daemon(
        load(settings),
        state,
        state,
        clock=lambda last: ManualClock(T0 if last is None else last + AWAY_S),
    ) as made:
        sense = made._sense

        def speak() -> object:
            found = sense()
            made.sensed = [found[0].t, found[0].values]  # type: ignore[attr-defined]
            return found

        made._sense = speak  # type: ignore[method-assign, assignment]
        while True:
            made.tick()
            print(json.dumps(made.sensed), flush=True)  # type: ignore[attr-defined]
            made._clock.wait_until(made._clock.steady() + made._every_s)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
