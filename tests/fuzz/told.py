"""What people wrote, on its way into letters, sheets and answers; and records somebody changed."""

import argparse
import contextlib
import dataclasses
import json
import re
import sqlite3
import subprocess
import zlib
from collections.abc import Mapping, Sequence
from datetime import datetime
from email import message_from_bytes
from email.policy import SMTP
from io import StringIO
from pathlib import Path
from random import Random
from typing import Any
from unittest.mock import patch

import web.records
from edge import advice
from edge.commands import purge, records, size
from edge.errors import DryholdError
from edge.model import Request
from edge.settings import Settings, load
from edge.store import chain
from edge.store.read import LATEST, Reader
from edge.store.schema import FILE
from edge.tell import letter, when
from edge.work import MOST_TEXT, Work
from tests.fuzz.mutate import mutated
from tests.fuzz.place import EXAMPLE, NOW, kept_record, picture, place
from tests.fuzz.target import Target, a_second, by_command, by_tick, target
from web import checklist, create_app, faces, record_paper, sheet, sheet_paper, workform
from web.flood import A_SECOND

HEADERS = {"From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Importance",
           "Dryhold-Events", "MIME-Version", "Content-Type", "In-Reply-To", "References"}  # fmt: skip
LONGEST_SAID = 400
"""Characters of what a person writes in one place of a form (web/visit.py), and of what becomes of a
fault's words."""


@target(
    by_tick(why="an input is a tick's letters, and a recipient has one letter under way at a time")
)
def mail_text(_scratch: Path) -> Target:
    """Events, an alert that stands and a site with any words in every place of words: each letter
    goes to its one recipient, with our headers and no other, and a receiver can read it back."""
    known = load(EXAMPLE)
    at = datetime.fromtimestamp(NOW, known.site.zone)
    link = "http://box.local/"

    def feed(data: bytes) -> None:
        words = _Words(data, seeds, 0.01)
        site = {"name": words.of_settings(), "contact": words.of_settings()}
        settings = known.model_copy(update={"site": known.site.model_copy(update=site)})
        many = [_event(words, n) for n in range(words.rng.randint(1, when.MOST_TOGETHER))]
        alert, test = ({**_event(words, 99), "kind": kind} for kind in _TWO)
        standing = {**alert, "since": alert["at"], "state": "active", "raised": words.said()}
        picture = {"state": words.said(), "reason": words.said(), "alerts": [standing]}
        latest: dict[str, Any] = {"at": alert["at"], "channels": {}, "picture": picture}
        for said in (
            letter.of_event(alert, settings, latest, None, link, words.rng.choice((None, 1800.0))),
            letter.of_event(test, settings, latest, None, link),
            letter.of_event(many[0], settings, latest, None, link),
            letter.of_reminder(standing, settings, latest, None, link, 7200.0),
            letter.of_many(many, settings, latest, None, link, words.rng.random() < 0.5),
        ):
            ids = tuple(event["id"] for event in many)
            envelope = letter.Envelope(
                "box@example.org", "one@example.org", "<a@b>", None, ids, at, True
            )
            sent = letter.message(said, envelope, settings).as_bytes(policy=SMTP)
            back = message_from_bytes(sent, policy=SMTP)
            assert set(back.keys()) <= HEADERS, back.keys()
            assert back.get_all("To") == ["one@example.org"]
            assert str(back["Dryhold-Events"]).split() == list(ids)
            for kind in ("plain", "html"):
                part = back.get_body((kind,))
                assert part is not None
                assert letter.CAUTION[:40] in " ".join(part.get_content().split())

    seeds = (
        b"Freezer aisles 1-6\n\n\nline",
        b"a\r\nBcc: x@example.org\n\n\nb\nX: y",
        b"=?utf-8?q?a?=\n\n\n\xe2\x80\xa8",
    )
    return Target(feed, seeds, 4096)


_TWO = ("alert_raised", "hold_test_finished")


class _Words:
    """Words for one input: those in it, parted by two blank lines, and what becomes of them when
    they are made wrong, as long as their place takes: 80 characters from the settings, LONGEST_SAID
    from a person or a fault. In a share of places they come `whole`, since nothing bounds the few
    texts that the box's own shell puts into the letterbox."""

    def __init__(self, data: bytes, seeds: Sequence[bytes], whole: float) -> None:
        self.rng = Random(zlib.crc32(data))
        self._given = data.split(b"\n\n\n")
        self._seeds = seeds
        self._whole = whole

    def said(self, most: int = LONGEST_SAID) -> str:
        one = self.rng.choice(self._given)
        if self.rng.random() < 0.5:
            one = mutated(one, self.rng.getrandbits(32), self._seeds)
        text = one.decode("utf-8", "replace")
        return text if self.rng.random() < self._whole else text[:most]

    def of_settings(self) -> str:
        """One line of up to 80 characters (edge/values.py, Name)."""
        return "".join(c for c in self.said()[:80] if c >= " " and c != "\x7f") or "x"


def _event(words: _Words, n: int) -> dict[str, Any]:
    rng = words.rng
    return {
        "id": f"saltmarsh-lane-{n}", "at": "2026-03-01T00:00:00Z", "kind": rng.choice(_KINDS),
        "alert": rng.choice(_ALERTS), "section": rng.choice((None, words.said(80))),
        "subject": rng.choice((None, words.said(80))), "text": words.said(),
        "priority": rng.choice(("urgent", "soon", "planned")), "cause": words.said(80),
        "todo": words.said(), "evidence": {}, "verdict": words.said(80), "method": words.said(80),
        "code_result": words.said(80),
    }  # fmt: skip


_KINDS, _ALERTS = sorted(when.TOLD), sorted(advice.NAMES)


@target(
    a_second(
        A_SECOND / 3,
        f"words reach paper by a form: a page with it, its sending and the paper are three questions,"
        f" and one address is answered {A_SECOND:g} a second; an input is a whole record",
    )
)
def paper_text(scratch: Path) -> Target:
    """Records with any words in every place of words: shown, written as a table, and drawn as PDF;
    both kinds of sheet, as the page gives them to the process that draws. Work done is typed into
    its form, and judged; in every fifth place of either kind stands something else."""
    settings, state, runtime = place(scratch / "box")
    judge = kept_record(settings, state)
    (runtime / LATEST).write_bytes(picture(settings, judge))
    client = create_app(settings, state, runtime, lambda: NOW).test_client()
    given: list[dict[str, Any]] = []

    def drawn(*_given: object, input: bytes, **_more: object) -> Any:
        given.append(json.loads(input))
        return subprocess.CompletedProcess((), 0, stdout=b"%PDF-")

    with patch.object(web.records.subprocess, "run", drawn), Reader(state) as db:
        for made in db.records.all():
            for path in (
                f"/records/made/{made['seq']}.pdf",
                f"/records/{made['event_number']}.pdf",
            ):
                client.get(path)
        work = next(
            db.records.one(one["seq"]) for one in db.records.all() if one["kind"] == "periodic"
        )
    test = next(one for one in given if "record" in one)
    # Reading the typefaces takes longer than most of the rest, and they stay the same.
    faces.fonts()
    found = faces._found()

    def feed(data: bytes) -> None:
        words = _Words(data, seeds, 0.001)
        with (
            patch.object(faces, "fonts", lambda: None),
            patch.object(faces, "_found", lambda: found),
        ):
            if words.rng.random() < 0.5:
                plain = _worded({**work, **_typed(words, settings)}, words)
                sheet.table(plain, settings).encode("utf-8", "replace")
                shown = sheet.sheet(plain, chain.Chain(1, "0" * 64, ()), settings, NOW)
                made = sheet_paper.pdf(json.loads(json.dumps(dataclasses.asdict(shown))))
            else:
                worded = _worded(test, words)
                made = record_paper.pdf(worded["record"], worded["signatures"])
        assert made.startswith(b"%PDF-")

    seeds = (
        b"Work done\n\n\n2.0 bar",
        b"<b>x</i>\n\n\n&amp;<img src=a>",
        "\u202e\n\n\n\U0001f525".encode(),
        b"a" * 4000,
    )
    return Target(feed, seeds, 16_384, 10)


def _typed(words: _Words, settings: Settings) -> Mapping[str, Any]:
    """The record of what somebody typed into the form of work done, as far as the form takes it."""
    most = words.rng.choice((0, 1, 4, checklist.MOST_LINES))
    form = {name: words.said() for name in ("other", "done_by", "role")}
    form = {name: " ".join(text.split()) or "x" for name, text in form.items()}
    rows = "\n".join(f"{words.said()} = {words.said()}" for _ in range(most))
    form["readings"] = "\n".join(row for row in checklist.lines(rows) if _taken(row))
    form["findings"] = "\n".join(words.said() for _ in range(most))
    form |= {"notes": words.said(MOST_TEXT), "done_on": "2026-03-01"}
    what = workform.request(form, {}, settings.site.zone, NOW)
    asked = Request(1, "work_done", form["done_by"][:60], what)
    (event,) = Work(settings).ask(asked, 0.0, NOW, ())
    record: Mapping[str, Any] = event.aside["record"]
    return record


def _taken(row: str) -> bool:
    try:
        workform.reading(row, "x")
    except ValueError:
        return False
    return True


_MEANT = {"at", "made_at", "kind", "quantity", "verdict", "hash", "previous", "id", "unit"}
"""Fields that a person's words never reach."""


def _worded(plain: Any, words: _Words, key: str = "") -> Any:
    """The same with some of the words in every fifth place of text."""
    if isinstance(plain, dict):
        return {k: _worded(v, words, k) for k, v in plain.items()}
    if isinstance(plain, list):
        return [_worded(v, words, key) for v in plain]
    if isinstance(plain, str) and key not in _MEANT and words.rng.random() < 0.2:
        return words.said()
    return plain


@target(by_command("records verify"))
def tampered(scratch: Path) -> Target:
    """A record that somebody changed in the database (columns, parted by a blank line): the chain
    says so, and every command shows what is there or says that it cannot."""
    settings, folder, runtime = place(scratch / "box")
    kept_record(settings, folder)
    app = create_app(settings, folder, runtime, lambda: NOW)
    app.testing = True
    client = app.test_client()
    parser = _parser(records)
    raw = sqlite3.connect(folder / FILE)
    with raw:  # who has the file has these out of the way first
        raw.executescript("DROP TRIGGER records_stay; DROP TRIGGER records_remain")
    names = ("id", "kind", "made_at", "body", "supersedes", "previous", "hash", "event")
    seqs = [seq for (seq,) in raw.execute("SELECT seq FROM records ORDER BY seq")]
    before = {
        seq: raw.execute(f"SELECT {', '.join(names)} FROM records WHERE seq = ?", (seq,)).fetchone()
        for seq in seqs
    }

    def feed(data: bytes) -> None:
        which, *cells = data.split(b"\n\n")
        seq = seqs[sum(which) % len(seqs)]
        given = tuple(_cell(cell) for cell in cells[: len(names)])
        given += before[seq][len(given) :]
        try:
            with raw:
                raw.execute(
                    f"UPDATE records SET {', '.join(f'{n} = ?' for n in names)} WHERE seq = ?",
                    (*given, seq),
                )
        except sqlite3.Error:  # the table itself takes no such thing
            return
        try:
            with Reader(folder) as db:
                try:
                    found = db.records.chain()
                except DryholdError:
                    found = None
            assert given == before[seq] or found is None or not found.holds
            turn = zlib.crc32(data)
            rooms = ("/records", f"/records/made/{seq}", f"/records/made/{seq}.csv", "/work")
            assert client.get(rooms[turn % len(rooms)]).status_code != 500
            words = (["list"], ["list", "--json"], ["show", str(seq)], ["verify"], ["export"])
            for word in (words[turn % len(words)], ["show", str(seq)]):
                _said(parser, [*word, "--state", str(folder)])
        finally:
            with raw:
                raw.execute(
                    f"UPDATE records SET {', '.join(f'{n} = ?' for n in names)} WHERE seq = ?",
                    (*before[seq], seq),
                )

    seeds = [
        bytes([n]) + b"\n\n" + b"\n\n".join(_bytes(cell) for cell in before[seq])
        for n, seq in enumerate(seqs)
    ]
    spoiled = [seed.replace(b'"figures"', b'"figure"').replace(b'"by"', b'"b"') for seed in seeds]
    spoiled += [seed.replace(b"\n\nperiodic\n\n", b"\n\n\xff\n\n") for seed in seeds]
    spoiled += [seed.replace(b'"title":"', b'"title":"\\ud800') for seed in seeds]
    spoiled += [re.sub(rb'"value":[0-9.]+', b'"value":1' + b"0" * 400, seed) for seed in seeds]
    spoiled += [seed.replace(b'"source":"', b'"source":1,"note":"') for seed in seeds]
    return Target(feed, (*seeds, *spoiled), doses=20)


def _cell(text: bytes) -> str | bytes | int | None:
    if text == b"NULL":
        return None
    try:
        return int(text) if len(text) < 15 and text.isdigit() else text.decode()
    except UnicodeDecodeError:
        return text


def _bytes(cell: object) -> bytes:
    return b"NULL" if cell is None else str(cell).encode()


def _said(parser: argparse.ArgumentParser, words: list[str]) -> int:
    """The status of one command without its process: what argparse refuses and what is refused in
    our own words is 2."""
    with (
        contextlib.redirect_stdout(StringIO()) as out,
        contextlib.redirect_stderr(StringIO()),
    ):
        try:
            args = parser.parse_args(words)
            status = int(args.run(args))
        except SystemExit as end:
            status = int(end.code or 0)
        except DryholdError:
            status = 2
        out.getvalue().encode("utf-8", "backslashreplace")
    return status


def _parser(*commands: Any) -> argparse.ArgumentParser:
    """Reads the words of one command, or of several by their names, as ours does."""
    parser = argparse.ArgumentParser()
    if len(commands) == 1:
        commands[0].arguments(parser)
        parser.set_defaults(run=commands[0].run)
        return parser
    words = parser.add_subparsers(required=True)
    for command in commands:
        sub = words.add_parser(command.__name__.rpartition(".")[2])
        command.arguments(sub)
        sub.set_defaults(run=command.run)
    return parser


@target(by_command("size"))
def sizes(_scratch: Path) -> Target:
    """The words behind `dryhold size` and `dryhold purge`, one a line: an answer (0), a plain no (1)
    or what was wrong (2)."""
    parser = _parser(size, purge)

    def feed(data: bytes) -> None:
        words = data.decode("utf-8", "replace").replace("\0", "").split("\n")
        assert _said(parser, words) in (0, 1, 2)

    given = (
        ["size", "--pipe", "2-1/2 40 120 ft", "--pipe", "8 wall 0.188 in 60 ft", "--fittings", "5 %", "--pressure", "30 psi",
         "--compressor", "7 scfm", "--production", "45 scfh", "--loss", "1 scfh", "--cut-in", "38 psi", "--cut-out", "52 psi"],
        ["size", "--volume", "640 gal", "--fill-flow", "7 scfm", "--fill-time", "20 min", "--fill-from", "0 psi",
         "--fill-to", "30 psi", "--json", "--metric"],
        ["purge", "--volume", "640 gal", "--pressure", "30 psi", "--oxygen", "20.9 %", "--nitrogen", "98 %", "--target", "2 %",
         "--loss", "1 scfh", "--vent", "3 scfh", "--within", "14 d", "--cycle-from", "20 psi", "--cycle-to", "30 psi",
         "--bypass-to", "25 psi"],
        ["size", "--settings", str(EXAMPLE), "--section", "supply"],
        ["purge", "--settings", str(EXAMPLE), "--json"],
    )  # fmt: skip
    return Target(feed, tuple("\n".join(words).encode() for words in given), 4096)
