"""Recordings as people hand them over: what is used, what is named, what is refused."""

import io
import json
import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from edge import recording
from edge.__main__ import main
from edge.core.units import KINDS, QUANTITY_KIND, inside
from edge.errors import RecordingError
from edge.judge import Judge
from edge.model import Tick, on_grid
from edge.settings import Settings, check, load

HEAD = "time,line_pressure [psi],running"
PSI = 6.894757


@pytest.fixture
def replay(tmp_path: Path, saltmarsh: Path, capsys) -> Callable[..., tuple[int, list[dict], str]]:
    """Run the command over a file's content: exit status, events, and stderr."""

    def run(content: str | bytes, *more: str) -> tuple[int, list[dict], str]:
        path = tmp_path / "r.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        status = main(["replay", str(path), "--settings", str(saltmarsh), "--json", *more])
        out, err = capsys.readouterr()
        return status, [json.loads(line) for line in out.splitlines()], err.replace(str(path), "F")

    return run


@pytest.fixture
def read(tmp_path: Path, saltmarsh: Path) -> Callable[..., tuple[list[Tick], list[str]]]:
    """Read a file's content: the ticks, and what was complained of."""

    def run(content: str | bytes, site: Settings | None = None) -> tuple[list[Tick], list[str]]:
        path = tmp_path / "r.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        told: list[str] = []
        found = recording.Recording(path, site or load(saltmarsh), told.append)
        ticks = list(found)
        assert found.rows == len(ticks)
        assert found.bad == len(told)
        return ticks, [line.replace(str(path), "F") for line in told]

    return run


def at(second: int) -> str:
    stamp = datetime(2026, 11, 25, 8, tzinfo=UTC) + timedelta(seconds=second)
    return stamp.isoformat().replace("+00:00", "Z")


def kpa(ticks: list[Tick]) -> list[float | None]:
    return [tick.values[0] for tick in ticks]


BAD_ROWS = {
    "yesterday,40,0": 'expected a time as 2026-11-25T08:00:00Z, with its offset, found "yesterday"',
    "2026-11-25T08:01:00,40,0": "with its offset, found",
    "0001-01-01T00:00:00+14:00,40,0": "with its offset, found",
    "9999-12-31T23:59:59.999999Z,40,0": "with its offset, found",
    ",40,0": 'with its offset, found ""',
    f"{at(60)},40": "expected 3 cells, found 2",
    f"{at(60)},40,0,": "expected 3 cells, found 4",
    f"{at(60)},40 psi,0": "expected a number, found '40 psi'",
    f"{at(60)},4_0,0": "expected a reading, found 4_0",
    f"{at(60)},nan,0": "expected a reading, found nan",
    f"{at(60)},-inf,0": "expected a reading, found -inf",
    f"{at(60)},1e300,0": "expected a reading, found 1e300",
    f"{at(60)},1e999,0": "expected a reading, found 1e999",
    f"{at(60)},40,yes": "expected a number, found 'yes'",
    f"{at(60)},40,0.5": "expected running 0 or 1, found 0.5",
    f"{at(60)},40,2": "expected running 0 or 1, found 2",
    f'{at(60)},"40,0': "expected 3 cells, found 2",
    f"{at(60)},4\x000,0": "expected a number, found '4\\x000'",
    f"{at(50)},40,0": "expected a time after the row before (2026-11-25T08:00:50.000Z), found",
    f"{at(-30)},40,0": "expected a time after the row before (2026-11-25T08:00:50.000Z), found",
    "2062-01-01T00:00:00Z,40,0": "expected a time that the next row goes on from, found 2062",
    "time,line_pressure [psi],running": "expected a time",
}
"""A row between good ones, and a part of what must be said of it."""


@pytest.mark.parametrize("bad", BAD_ROWS)
def test_one_bad_row(replay, read, bad: str) -> None:
    """A row that cannot be read is named by line and reason on stderr, counted, and alone left
    out; the exit status stays 0."""
    good = [f"{at(s)},40,0" for s in range(0, 120, 10)]
    text = "\n".join([HEAD, *good[:6], bad, *good[6:]]) + "\n"
    ticks, complaints = read(text)
    assert len(ticks) == len(good)
    assert len(complaints) == 1
    assert complaints[0].startswith("F, line 8: expected ")
    assert BAD_ROWS[bad] in complaints[0]
    status, _, err = replay(text)
    assert status == 0
    assert [complaints[0], "1 row could not be read"] == err.splitlines()


def test_many_bad_rows_are_all_named(replay) -> None:
    """Every one of many bad rows in a row is named once, and their number is told."""
    rows = [*BAD_ROWS, f"{at(300)},40,0"]
    status, _, err = replay("\n".join([HEAD, f"{at(50)},40,0", *rows]) + "\n")
    lines = [int(line.split("line ")[1].split(":")[0]) for line in err.splitlines()[:-1]]
    assert sorted(lines) == list(range(3, 3 + len(BAD_ROWS)))
    assert err.splitlines()[-1] == f"{len(BAD_ROWS)} rows could not be read"
    assert status == 0


REFUSED = {
    "": 'line 1: expected a first column "time", found nothing',
    "\n": 'line 1: expected a first column "time", found nothing',
    "zeit,line_pressure\n": 'line 1: expected a first column "time", found "zeit"',
    "line_pressure,time\n": 'line 1: expected a first column "time", found "line_pressure"',
    "time;line_pressure\n": 'expected a first column "time", found "time;line_pressure"',
    "time\n": "line 1: expected columns of channels (line_pressure, oxygen,",
    "time,flow\n": "line 1: expected columns of channels (line_pressure, oxygen,",
    "time,line_pressure,line_pressure [bar]\n": 'each channel once, found "line_pressure" twice',
    "time,line_pressure [furlong]\n": (
        "column line_pressure: expected a unit of pressure (kPa, psi, bar, mbar, inHg, mmHg), found"
        ' "furlong"'
    ),
    "time,line_pressure [°F]\n": "expected a unit of pressure",
    f"{HEAD}\n": "expected rows of readings, found none usable",
    f"{HEAD}\nx,y,z\n": "expected rows of readings, found none usable",
    f"time,oxygen\n{at(0)},2\n": "supply.pressure: expected a column line_pressure, found none",
}


@pytest.mark.parametrize("content", REFUSED)
def test_refused(replay, content: str) -> None:
    """A file with a wrong header or no usable row exits 2, prints no event, and says what was
    expected and found."""
    status, events, err = replay(content)
    assert (status, events) == (2, [])
    assert REFUSED[content] in err


def test_binary_and_other_encodings_are_refused(replay) -> None:
    """Bytes that are no recording exit 2 with a reason, not a traceback."""
    for content in (b"\x00" * 4096, b"\xff\xfe" + f"{HEAD}\n".encode("utf-16-le"), b"\x89PNG\r\n"):
        status, events, err = replay(content)
        assert (status, events) == (2, [])
        assert 'expected a first column "time"' in err


def test_no_such_file(saltmarsh: Path, tmp_path: Path, capsys) -> None:
    """A recording that is not there, or a folder, exits 2 and is named."""
    for path in (tmp_path / "none.csv", tmp_path):
        assert main(["replay", str(path), "--settings", str(saltmarsh), "--json"]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert f"{path}: expected a recording, found" in err


def test_spreadsheet_habits(read) -> None:
    """A byte-order mark, CRLF or CR line ends, quotes, spaces, blank lines and a last line
    without an end read the same."""
    plain = [HEAD, f"{at(0)},40,0", f"{at(10)},39.5,1"]
    expected = kpa(read("\n".join(plain) + "\n")[0])
    assert expected == [on_grid(40.0 * PSI), on_grid(39.5 * PSI)]
    spellings = [
        b"\xef\xbb\xbf" + "\r\n".join(plain).encode(),
        "\r".join(plain),
        "\n\n".join(plain) + "\n\n",
        "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in plain),
        "\n".join([HEAD.replace(" [", "["), f"{at(0)}, 40 , 0", f"{at(10)},+39.50e0,1.0"]),
    ]
    for text in spellings:
        ticks, complaints = read(text)
        assert (kpa(ticks), complaints) == (expected, [])


def test_bad_utf8_spoils_its_own_row(read) -> None:
    """A byte that is no UTF-8 spoils the row it is in and no other."""
    text = f"{HEAD}\n{at(0)},40,0\n{at(10)},4\udcff0,0\n{at(20)},41,0\n"
    ticks, complaints = read(text.encode(errors="surrogateescape"))
    assert len(ticks) == 2
    assert complaints == ["F, line 3: expected a number, found '4\N{REPLACEMENT CHARACTER}0'"]


def test_columns(replay, read) -> None:
    """Units in brackets hold over the settings' own, an unknown column is passed over with a
    note, and a channel without a column counts as absent and not as failed."""
    text = f"time,weight,line_pressure [bar],room_temperature [K]\n{at(0)},7,2.75,293.15\n"
    tick = read(text)[0][0]
    assert tick.values == (275.0, None, None, 20.0, None, None)
    assert dict(tick.faults) == {}
    rows = "".join(f"{at(s)},7,2.75,293.15\n" for s in range(10, 600, 10))
    status, events, err = replay(text + rows)
    assert (status, events) == (0, [])
    assert err.splitlines() == ['F, line 1: column "weight" is not a channel of the settings']
    own = read(f"time,line_pressure,room_temperature\n{at(0)},40,68\n")[0][0]
    assert own.values[0] == on_grid(40.0 * PSI)
    assert own.values[3] == pytest.approx(20.0)


def test_empty_cells_are_missing_readings(replay, read) -> None:
    """An empty cell is a missing reading with a reason; one that lasts is a failed channel."""
    tick = read(f"{HEAD}\n{at(0)},,0\n{at(10)}, ,0\n")[0]
    assert [t.values[0] for t in tick] == [None, None]
    assert all(t.faults["line_pressure"] == recording.NO_CELL for t in tick)
    rows = [f"{at(s)},{40 if s < 60 or s >= 300 else ''},0" for s in range(0, 600, 10)]
    _, events, _ = replay("\n".join([HEAD, *rows]))
    told = [(e["kind"], e["at"][11:19], e.get("channel")) for e in events if "channel" in e]
    assert told == [
        ("channel_failed", "08:01:00", "line_pressure"),
        ("channel_recovered", "08:05:00", "line_pressure"),
    ]


def test_offsets_name_one_moment(read) -> None:
    """Times with different offsets are put in order as the moments they name."""
    rows = ["2026-11-25T02:00:00-06:00", "2026-11-25T08:00:10Z", "2026-11-25T09:00:20.5+01:00"]
    ticks, _ = read("\n".join([HEAD, *(f"{row},40,0" for row in rows)]))
    assert [tick.t - ticks[0].t for tick in ticks] == [0.0, 10.0, 20.5]


def test_json_is_utf8_whatever_the_terminal(tmp_path: Path, saltmarsh: Path, monkeypatch) -> None:
    """Events leave as UTF-8 even where the terminal speaks something narrower."""
    rows = [f"{at(s)},40,{'' if s else 30}" for s in range(0, 300, 10)]
    path, site = tmp_path / "r.csv", tmp_path / "site.toml"
    path.write_text("\n".join(["time,line_pressure,aisle_pressure", *rows]))
    site.write_text(saltmarsh.read_text().replace("Freezer aisles 1-6", "Kühlgänge 1–6 冷"))
    wire = io.BytesIO()
    narrow = io.TextIOWrapper(wire, encoding="ascii")
    monkeypatch.setattr("sys.stdout", narrow)
    assert main(["replay", str(path), "--settings", str(site), "--json"]) == 0
    narrow.flush()
    events = [json.loads(line) for line in wire.getvalue().decode("utf-8").splitlines()]
    assert [e["section"] for e in events if e["kind"] == "channel_failed"] == ["Kühlgänge 1–6 冷"]


ANY_SITE = {
    "site": {"name": "Any", "id": "any"},
    "supply": {"pressure": "p", "cut_in": "38 psi", "cut_out": "52 psi"},
    "channel": [{"name": "p", "quantity": "pressure", "unit": "psi", "input": "simulated"}],
}
LINE = st.one_of(
    st.text(max_size=30),
    st.sampled_from([f"{at(0)},1", f"{at(5)},", f'{at(9)},"4', '"', ",", "\x00", "time,p"]),
    st.builds(
        lambda t, x: f"{t.isoformat()},{x}",
        st.datetimes(timezones=st.just(UTC)),
        st.floats(),
    ),
)


@hypothesis_settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(head=st.sampled_from(["time,p\n", "time,p [bar],x\n", "time\n", ""]), lines=st.lists(LINE))
def test_any_text_is_read_or_refused(tmp_path: Path, head: str, lines: list[str]) -> None:
    """Whatever the text, reading and judging it raise nothing but RecordingError, every row is
    used or named, and times go only forward."""
    path = tmp_path / "any.csv"
    path.write_text(head + "\n".join(lines), encoding="utf-8", errors="surrogatepass")
    site = check(ANY_SITE)
    told: list[str] = []
    try:
        found = recording.Recording(path, site, told.append)
    except RecordingError:
        return
    judge, last = Judge(site, absent=found.absent), -math.inf
    for tick in found:
        assert tick.t > last
        last = tick.t
        for event in judge.look(tick):
            json.dumps(event.as_json(), allow_nan=False)
    assert found.bad == len(told)
    assert found.rows or found.bad or not "".join(lines).strip() or not head


UNITS = [
    (quantity, unit)
    for quantity, kind in QUANTITY_KIND.items()
    if quantity != "running"
    for unit in KINDS[kind]
]


@pytest.mark.parametrize(("quantity", "unit"), UNITS)
@hypothesis_settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(numbers=st.lists(st.floats(-2000.0, 2000.0), min_size=1, max_size=20))
def test_write_then_read_is_exact(
    tmp_path: Path, quantity: str, unit: str, numbers: list[float]
) -> None:
    """What is written in any unit reads back to the very same numbers and times."""
    rows = [*ANY_SITE["channel"]]
    rows.append({"name": "c", "quantity": quantity, "unit": unit, "input": "simulated"})
    rows.append({"name": "r", "quantity": "running", "input": "simulated"})
    site = check({**ANY_SITE, "channel": rows})
    values = [on_grid(inside(QUANTITY_KIND[quantity], n, unit)) for n in numbers]
    ticks = [
        Tick(1.7e9 + 0.125 * i, 0.0, (on_grid(300.0 + v % 7), v if i % 5 else None, float(i % 2)))
        for i, v in enumerate(values)
    ]
    path = tmp_path / "w.csv"
    with path.open("w", encoding="utf-8") as file:
        assert recording.write(file, site, ticks) == len(ticks)
    told: list[str] = []
    again = list(recording.Recording(path, site, told.append))
    assert told == []
    assert [(t.t, t.values) for t in again] == [(t.t, t.values) for t in ticks]
