"""Every reading of a stretch of time, over HTTP."""

import io
import tracemalloc
from pathlib import Path
from typing import Any

import depot

from edge import recording
from edge.model import iso
from edge.store.read import Reader

DAY_S = 86400.0
MOST_BYTES = 3_000_000


def test_a_stretch_is_exported_whole_and_can_be_replayed(site: Any, tmp_path: Path) -> None:
    """Two days over HTTP are, byte by byte, what the command exports, and a recording reads them
    back without a bad row; meanwhile little is held in memory."""
    since, until = depot.NOW - 2.5 * DAY_S, depot.NOW - 0.5 * DAY_S
    path = f"/records/readings.csv?from={iso(since)}&to={iso(until)}"
    with Reader(site.state) as db:
        names = [c.name for c in site.settings.channel]
        wanted = io.StringIO()
        rows = recording.write(wanted, site.settings, db.readings(names, since, until))
    client = site.client()
    client.get(path).close()  # what is loaded once is not what is measured
    file = tmp_path / "stretch.csv"
    tracemalloc.start()
    answer = client.get(path, buffered=False)
    with file.open("wb") as out:
        for piece in answer.response:
            out.write(piece if isinstance(piece, bytes) else piece.encode())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    answer.close()
    assert rows > 1000
    assert file.read_text() == wanted.getvalue()
    assert peak < MOST_BYTES
    complaints: list[str] = []
    read = recording.Recording(file, site.settings, complaints.append)
    assert len(list(read)) == rows
    assert (complaints, read.bad) == ([], 0)
    assert "attachment" in answer.headers["Content-Disposition"]


def test_an_export_has_bounds(site: Any) -> None:
    """Without a beginning, over more than a year and while another is being read it is refused in
    words; the history leads to the export of what it shows."""
    client = site.client()
    for query in ("", "?span=day", "?from=yesterday", f"?from={iso(depot.NOW - 400 * DAY_S)}"):
        assert client.get(f"/records/readings.csv{query}").status_code == 400
    path = f"/records/readings.csv?from={iso(depot.NOW - DAY_S)}"
    first = client.get(path, buffered=False)
    assert client.get(path).status_code == 503
    first.close()
    again = client.get(path)
    assert (again.status_code, again.mimetype) == (200, "text/csv")
    html = client.get("/history?span=week").get_data(as_text=True)
    assert "/records/readings.csv?from=" in html
