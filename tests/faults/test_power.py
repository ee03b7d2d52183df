"""Kills and power cuts; the full numbers are benchmarks (kills, cuts)."""

import json
import sqlite3
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest

from edge.store.card import Card
from tests.faults import lives
from tests.faults.disk import Disk


def test_killed_anywhere_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    """After 15 SIGKILLs at random moments, starting included, the events kept are those that one
    unbroken judgement of the kept readings gives, each received once by id; the database is sound
    and every hold test that was begun has ended or is void."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.lives", tmp_path, "15"],
        stdout=subprocess.PIPE,
        check=True,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    found = lives.Found(*json.loads(done.stdout))
    assert found.kept > 40
    assert found.tests >= 1
    assert found[5:] == (0,) * len(found[5:])


@pytest.mark.usefixtures("vfs")
def test_power_cuts_take_back_nothing_that_was_promised(tmp_path: Path) -> None:
    """The same after 12 power cuts that lose, tear and reorder what was not synced; no kept event
    and no posted request is taken back."""
    found = lives.cut(tmp_path, 12, seed=7)
    assert found.kept > 20
    assert found[5:] == (0,) * len(found[5:])


@pytest.mark.usefixtures("vfs")
def test_power_cuts_would_have_shown_an_event_that_was_not_synced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With events kept like readings, without a sync of their own, the same cuts take some back."""
    real = Card.transaction
    monkeypatch.setattr(Card, "transaction", lambda self, **_: real(self))
    assert lives.cut(tmp_path, 8).broken > 0


@pytest.mark.usefixtures("vfs")
def test_the_disk_keeps_what_was_synced(tmp_path: Path) -> None:
    """With the power gone in the middle of a hundred synced inserts, the card holds all that were
    committed before, perhaps the one under way, and no other."""
    with Disk() as disk:
        db = sqlite3.connect(tmp_path / "a.db")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("CREATE TABLE t (x)")
        db.commit()
        disk.cut_at(100)
        done = 0
        for i in range(100):
            db.execute("INSERT INTO t VALUES (?)", (i,))
            db.commit()
            done += not disk.was_cut
        db.close()
        disk.after(tmp_path, tmp_path / "left", Random(3))
    left = sqlite3.connect(tmp_path / "left" / "a.db")
    kept = [row[0] for row in left.execute("SELECT x FROM t")]
    left.close()
    assert 10 < done < 90
    assert kept in ([*range(done)], [*range(done + 1)])
