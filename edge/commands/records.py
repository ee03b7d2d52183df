"""dryhold records list | show | verify | export"""

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from edge.errors import DryholdError
from edge.record import CHANGED, Chapter
from edge.store.chain import PUT_BACK
from edge.store.read import Reader


class RecordsError(DryholdError, ValueError):
    """A record that cannot be shown or written as asked."""


def arguments(parser: argparse.ArgumentParser) -> None:
    words = parser.add_subparsers(dest="word", required=True, metavar="WORD")

    listed = words.add_parser("list", help="every record, oldest first")
    _common(listed, _list)

    show = words.add_parser("show", help="one record, in inside units: kPa, L, °C, s, %%, L/min")
    show.add_argument("number", type=int, metavar="NUMBER", help="as `records list` shows")
    _common(show, _show)

    verify = words.add_parser("verify", help="whether every record is as it was made")
    verify.add_argument(
        "--head",
        action="append",
        default=[],
        metavar="HASH",
        help="a hash from a message or a weekly letter, or its first 12 characters or more, that"
        " must be there: shows whether the newest records were cut off; may be repeated",
    )
    _common(verify, _verify)

    export = words.add_parser(
        "export", help="the whole chain as JSON lines, to be checked elsewhere"
    )
    export.add_argument(
        "-o", "--output", type=Path, metavar="FILE", help="default: standard output"
    )
    _common(export, _export, as_json=False)


def _common(
    parser: argparse.ArgumentParser,
    do: Callable[[argparse.Namespace], int],
    as_json: bool = True,
) -> None:
    parser.add_argument("--state", type=Path, required=True, metavar="DIR")
    if as_json:
        parser.add_argument("--json", action="store_true", help="JSON instead of words")
    parser.set_defaults(do=do)


def run(args: argparse.Namespace) -> int:
    do: Callable[[argparse.Namespace], int] = args.do
    try:
        return do(args)
    except DryholdError:
        raise
    except CHANGED as error:
        raise RecordsError(
            "expected records as they were made, found one that cannot be shown:"
            " dryhold records verify says which were changed"
        ) from error


def _list(args: argparse.Namespace) -> int:
    with Reader(args.state) as db:
        records = db.records.all()[::-1]
    if args.json:
        print(json.dumps(records))
        return 0
    for one in records:
        title = one.get("title") or one["kind"]
        place = one.get("section") or "the whole site"
        notes = [note for note in (_standing(one),) if note]
        print(" ".join([f"{one['seq']:>5}", one["made_at"], f"{title}, {place}", *notes]))
    if not records:
        print("No record has been made yet.")
    return 0


def _standing(one: Mapping[str, Any]) -> str:
    if one["superseded_by"]:
        return f"(superseded by {one['superseded_by']})"
    return "(from before there was a chain)" if one.get("from_before") else ""


def _show(args: argparse.Namespace) -> int:
    with Reader(args.state) as db:
        one = db.records.one(args.number)
    print(json.dumps(one, indent=1) if args.json else "\n".join(_sheet(one)))
    return 0


def _sheet(one: Mapping[str, Any]) -> Iterator[str]:
    yield f"{one.get('title') or one['kind']}, {one.get('section') or 'the whole site'}"
    yield f"{one['kind']}, made {one['made_at']} by {one.get('by')} {_standing(one)}".rstrip()
    event = one.get("event")
    if event is not None:
        yield str(event["text"])
        if one["kind"] != PUT_BACK:
            yield f"The whole test: dryhold hold rejudge {one['event_number']}"
    for plain in one.get("chapters", ()):
        chapter = Chapter.of(plain)
        yield ""
        yield chapter.title + (f": skipped, {chapter.skipped}" if chapter.skipped else "")
        for figure in chapter.figures:
            value = (
                ""
                if figure.value is None
                else f"{figure.value:.6g} ({figure.quantity or 'number'})"
            )
            doubt = "" if figure.uncertainty is None else f"± {figure.uncertainty:.3g}"
            parts = [value, doubt, figure.text, f"[{figure.at or 'no time'}, {figure.source}]"]
            yield f"  {figure.what}: {' '.join(p for p in (*parts, figure.note) if p)}"
        for finding in chapter.findings:
            yield f"  Found: {finding}"
    yield ""
    for finding in one.get("findings", ()):
        yield f"Finding: {finding}"
    for signature in one.get("signatures", ()):
        yield f"Signed: {signature['name']}, {signature['role']}, {signature['at']}"
    for caution in one.get("cautions", ()):
        yield f"Caution. {caution}"
    yield f"Record {one['id']}, hash {one['hash']}"


def _verify(args: argparse.Namespace) -> int:
    with Reader(args.state) as db:
        chain = db.records.chain(args.head)
    if args.json:
        print(json.dumps({**chain._asdict(), "holds": chain.holds}))
    else:
        for fault in chain.faults:
            print(fault)
        if chain.holds:
            print(f"The chain of {chain.rows} records holds. The newest hash is {chain.head}.")
    return 0 if chain.holds else 1


def _export(args: argparse.Namespace) -> int:
    with Reader(args.state) as db:
        rows = [json.dumps(row._asdict()) + "\n" for row in db.records.rows()]
    if args.output is None:
        sys.stdout.writelines(rows)
        return 0
    try:
        args.output.write_text("".join(rows))
    except OSError as error:
        raise RecordsError(f"{args.output}: expected to write, found {error.strerror}") from error
    return 0
