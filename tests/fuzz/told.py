"""What people wrote, on its way into letters, sheets and answers; and records somebody changed."""

import argparse
import contextlib
import dataclasses
import json
import sqlite3
import subprocess
import zlib
from datetime import datetime
from email import message_from_bytes
from email.policy import SMTP
from io import StringIO
from pathlib import Path
from random import Random
from typing import Any
from unittest.mock import patch

import web.records
from edge.commands import purge, records, size
from edge.errors import DryholdError
from edge.settings import load
from edge.store import chain
from edge.store.read import LATEST, Reader
from edge.store.schema import FILE
from edge.tell import letter
from tests.fuzz.asked import PER_TICK
from tests.fuzz.place import EXAMPLE, NOW, kept_record, picture, place
from tests.fuzz.target import Target, a_second, by_command, by_tick, target
from web import create_app, record_paper, sheet, sheet_paper

HEADERS = {"From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Importance",
           "Dryhold-Events", "MIME-Version", "Content-Type", "In-Reply-To", "References"}  # fmt: skip


@target(by_tick(PER_TICK, f"texts come with requests, {PER_TICK} a tick at most"))
def mail_text(_scratch: Path) -> Target:
    """An event with any text in every place of text: a letter to its one recipient, with our headers
    and no other, that a receiver can read back."""
    settings = load(EXAMPLE)
    at = datetime.fromtimestamp(NOW, settings.site.zone)
    latest: dict[str, Any] = {"at": "2026-03-01T00:00:00Z", "channels": {}, "picture": {}}

    def feed(data: bytes) -> None:
        text, _, rest = data.decode("utf-8", "replace").partition("\n\n\n")
        event = {
            "id": "a-1", "at": "2026-03-01T00:00:00Z", "kind": "alert_raised", "alert": "low_pressure",
            "section": text, "subject": rest, "text": text, "priority": "soon", "cause": rest,
            "todo": rest, "evidence": {},
        }  # fmt: skip
        test = {**event, "kind": "hold_test_finished", "verdict": rest, "method": text}
        for said in (
            letter.of_event(event, settings, latest, None, "http://box.local/"),
            letter.of_event(test, settings, latest, None, "http://box.local/"),
            letter.of_many([event, test], settings, latest, None, "http://box.local/", True),
        ):
            envelope = letter.Envelope(
                "box@example.org", "one@example.org", "<a@b>", None, ("a-1",), at, True
            )
            sent = letter.message(said, envelope, settings).as_bytes(policy=SMTP)
            back = message_from_bytes(sent, policy=SMTP)
            assert set(back.keys()) <= HEADERS, back.keys()
            assert back.get_all("To") == ["one@example.org"]
            assert back.get_body(("plain",)) is not None

    seeds = (
        "Freezer aisles 1-6\n\n\nline",
        "a\r\nBcc: x@example.org\n\n\nb\nX: y",
        "=?utf-8?q?a?=\n\n\n\u2028",
    )
    return Target(feed, tuple(seed.encode() for seed in seeds), 4096)


@target(a_second(4.5, "a process draws each, 0.44 s of one of two processors (`doors`)"))
def paper_text(scratch: Path) -> Target:
    """Records with any text in every place of text: shown, written as a table, and drawn as PDF;
    both kinds of sheet, as the page gives them to the process that draws."""
    settings, state, runtime = place(scratch / "box")
    judge = kept_record(settings, state)
    (runtime / LATEST).write_bytes(picture(settings, judge))
    client = create_app(settings, state, runtime, lambda: NOW).test_client()
    given: list[dict[str, Any]] = []

    def drawn(*_given: object, input: bytes, **_more: object) -> Any:
        given.append(json.loads(input))
        return subprocess.CompletedProcess((), 0, stdout=b"%PDF-")

    with patch.object(web.records.subprocess, "run", drawn), Reader(state) as db:
        for made in db.records():
            for path in (
                f"/records/made/{made['seq']}.pdf",
                f"/records/{made['event_number']}.pdf",
            ):
                client.get(path)
        work = next(db.record(one["seq"]) for one in db.records() if one["kind"] == "periodic")
    test = next(one for one in given if "record" in one)

    def feed(data: bytes) -> None:
        rng = Random(zlib.crc32(data))
        texts = data.decode("utf-8", "replace").split("\n\n\n")
        if rng.random() < 0.5:
            plain = _worded(work, texts, rng)
            sheet.table(plain, settings).encode("utf-8", "replace")
            shown = sheet.sheet(plain, chain.Chain(1, "0" * 64, ()), settings, NOW)
            made = sheet_paper.pdf(json.loads(json.dumps(dataclasses.asdict(shown))))
        else:
            worded = _worded(test, texts, rng)
            made = record_paper.pdf(worded["record"], worded["signatures"])
        assert made.startswith(b"%PDF-")

    long = "a" * 4000
    seeds = (
        "Work done\n\n\n2.0 bar",
        "<b>x</i>\n\n\n&amp;<img src=a>",
        "\u202e\n\n\n\U0001f525",
        long,
    )
    return Target(feed, tuple(seed.encode() for seed in seeds), 16_384, 3)


_MEANT = {"at", "made_at", "kind", "quantity", "verdict", "hash", "previous", "id", "unit"}
"""Fields that a person's words never reach."""


def _worded(plain: Any, texts: list[str], rng: Random, key: str = "") -> Any:
    """The same with some of the texts in every fifth place of text."""
    if isinstance(plain, dict):
        return {k: _worded(v, texts, rng, k) for k, v in plain.items()}
    if isinstance(plain, list):
        return [_worded(v, texts, rng, key) for v in plain]
    if isinstance(plain, str) and key not in _MEANT and rng.random() < 0.2:
        return rng.choice(texts)
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
                    found = db.chain()
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
