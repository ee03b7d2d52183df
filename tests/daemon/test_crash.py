"""What survives when the daemon is killed."""

import json
import random
import subprocess
import sys
from pathlib import Path

from edge.judge import Judge
from edge.settings import load
from edge.store.read import Reader
from edge.store.write import Writer

FLAT_OUT = Path(__file__).with_name("flat_out.py")
KILLS = 8


def test_kill_at_any_moment_loses_no_event_and_at_most_a_batch(
    saltmarsh: Path, tmp_path: Path
) -> None:
    """Killed at seeded random moments and started again, the daemon has kept every reading but
    the last batch before each kill, and exactly the events that one unbroken judgement of the
    kept readings gives: none lost, none doubled, none different."""
    text = saltmarsh.read_text().replace('"simulated"', '"simulated:depot"')
    site = tmp_path / "site.toml"
    site.write_text(text + '[keeping]\nevery = "10 s"\nwrite_every = "120 s"\n')
    state = tmp_path / "state"
    chance = random.Random(20_251_125)
    sensed: list[list[tuple[float, list[float | None]]]] = []
    for _ in range(KILLS):
        with subprocess.Popen(
            [sys.executable, FLAT_OUT, site, state], stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout is not None
            lines = [process.stdout.readline() for _ in range(chance.randint(20, 2000))]
            process.kill()
            lines += process.stdout.readlines()
        # The last line may be cut off in the middle.
        sensed.append([tuple(json.loads(line)) for line in lines if line.endswith("]\n")])

    settings = load(site)
    names = [channel.name for channel in settings.channel]
    Writer(state, settings, []).close()
    with Reader(state) as reader:
        ticks = list(reader.readings(names))
        kept = [
            {key: value for key, value in event.items() if key not in ("id", "n")}
            for event in reversed(reader.events(limit=100_000))
        ]
    by_t = {tick.t: list(tick.values) for tick in ticks}
    for life in sensed:
        assert life, "every life has ticked"
        missing = [t for t, _ in life if t not in by_t]
        assert len(missing) <= 12
        assert missing == [t for t, _ in life[len(life) - len(missing) :]]
        assert all(by_t[t] == values for t, values in life if t in by_t)
    judge = Judge(settings, simulated=settings.simulated)
    again = [event.as_json() for tick in ticks for event in judge.look(tick)]
    assert len(again) > 20
    assert {"cut_in", "alert_raised", "idle_measured"} <= {event["kind"] for event in again}
    # How full this machine's disk is, and that it was killed so often, stands in no reading.
    aside = ("storage_low", "monitor_fault")
    mine = [
        event
        for event in kept
        if not event["kind"].startswith("monitor_") and event.get("alert") not in aside
    ]
    faults = {e["evidence"]["trouble"] for e in kept if e.get("alert") == "monitor_fault"}
    assert faults == {"restarts"}
    assert mine == again
    assert [event["kind"] for event in kept].count("monitor_started") == KILLS
