"""Letters: what is told in plain words, as text and as HTML for a phone, with its headers."""

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, formataddr
from html import escape
from textwrap import fill
from typing import Any, NamedTuple

from edge import advice
from edge.caution import CAUTION
from edge.model import SUPPLY
from edge.settings import Settings
from edge.tell.trace import Trace
from edge.week import Account
from edge.words import Words

MARKS = {"urgent": "URGENT: ", "soon": "Soon: ", "planned": "Planned: ", "ended": "Ended: "}
"""What a subject begins with: how soon somebody must act is read before anything else."""

_TONES = {
    "urgent": ("#a3271f", "◆"),
    "soon": ("#8a5a00", "▲"),
    "planned": ("#4c5a67", "●"),
    "ended": ("#2f6b4f", "✓"),
    "plain": ("#4c5a67", "●"),
}
"""Colour and shape of a heading: never told by colour alone."""

NBSP, NO_BREAK_HYPHEN = "\u00a0", "\u2011"
_PAPER, _INK, _SOFT, _RULE = "#ffffff", "#1d2733", "#55616d", "#d5dbe0"


class Part(NamedTuple):
    """A heading with rows of label and value, or with lines."""

    heading: str
    rows: tuple[tuple[str, str], ...] = ()
    lines: tuple[str, ...] = ()


class Letter(NamedTuple):
    """Everything that is said; the same in text and HTML."""

    subject: str
    tone: str
    heading: str
    lead: str
    parts: tuple[Part, ...] = ()
    trace: Trace | None = None
    link: tuple[str, str] | None = None  # words and address


class Envelope(NamedTuple):
    """The headers that are not words."""

    sender: str
    recipient: str
    message_id: str
    thread: str | None  # the Message-ID that this one answers
    events: tuple[str, ...]  # the ids of the events inside, for dropping doubles
    at: datetime
    urgent: bool = False


# --- of events


def title(about: Mapping[str, Any]) -> str:
    """An alert's or event's name and place: "Low pressure, supply"."""
    if about.get("kind") == "hold_test_finished":
        name = "Hold test"
    else:
        name = advice.name_of(str(about["alert"]))
    section = about.get("section")
    subject = about.get("subject")
    return ", ".join([name, *([str(subject)] if subject else []), *([section] if section else [])])


def of_event(
    event: Mapping[str, Any],
    settings: Settings,
    latest: Mapping[str, Any],
    trace: Trace | None,
    link: str,
    unanswered_s: float | None = None,
) -> Letter:
    """One event; `unanswered_s` when it is told because nobody acknowledged it for so long."""
    words = Words(settings)
    kind = event["kind"]
    subject = _subject(title(event), settings)
    when = Part("", (("When", local(event["at"], settings)),))
    if kind == "alert_raised":
        tone = str(event["priority"])
        rows = [*when.rows]
        if unanswered_s is not None:
            rows.append(("Acknowledged", f"by nobody for {words.duration(unanswered_s)}"))
        parts = [Part("", (*rows, _cause(event))), *_work(event)]
        parts.append(_now(latest, event.get("section"), settings))
        heading = f"{tone.capitalize()}: {title(event)}"
        subject = _subject(title(event), settings, tone)
        return Letter(
            subject, tone, heading, event["text"], tuple(parts), trace, _acknowledge(link)
        )
    if kind == "alert_explained":
        tone = str(event["priority"])
        parts = [Part("", (*when.rows, _cause(event))), *_work(event)]
        heading = f"Cause found: {title(event)}"
        subject = _subject(title(event), settings, tone)
        return Letter(subject, tone, heading, event["text"], tuple(parts), trace)
    verbs = {
        "alert_cleared": ("ended", "Ended"),
        "alert_acknowledged": ("plain", "Acknowledged"),
        "alert_shelved": ("plain", "Shelved"),
    }
    if kind in verbs:
        tone, verb = verbs[kind]
        parts = [when]
        if kind == "alert_cleared":
            parts.append(_now(latest, event.get("section"), settings))
            subject = _subject(title(event), settings, tone)
        shown = trace if kind == "alert_cleared" else None
        return Letter(subject, tone, f"{verb}: {title(event)}", event["text"], tuple(parts), shown)
    verdict = str(event.get("verdict", ""))
    tone = {"leaks": "soon", "holds": "ended"}.get(verdict, "plain")
    rows = [*when.rows, ("Method", str(event.get("method", "")))]
    for label, key in (
        ("Loss", "loss_kpa_per_h"),
        ("At least", "loss_low_kpa_per_h"),
        ("At most", "loss_high_kpa_per_h"),
    ):
        if isinstance(event.get(key), int | float):
            rows.append((label, words.rate(float(event[key]))))
    if event.get("code_result") is not None:
        rows.append(("By the code's own reading", str(event["code_result"])))
    return Letter(
        subject, tone, f"Hold test: {verdict}", event["text"], (Part("", tuple(rows)),), trace
    )


def of_reminder(
    alert: Mapping[str, Any],
    settings: Settings,
    latest: Mapping[str, Any],
    trace: Trace | None,
    link: str,
    stood_s: float,
) -> Letter:
    """An alert that still stands and that nobody has acknowledged."""
    words = Words(settings)
    rows = (
        ("Since", local(alert["since"], settings)),
        ("Standing", f"for {words.duration(stood_s)}, acknowledged by nobody"),
        _cause(alert),
    )
    return Letter(
        _subject(title(alert), settings, str(alert["priority"])),
        str(alert["priority"]),
        f"Still standing: {title(alert)}",
        str(alert["text"]),
        (
            Part("", rows),
            *_work(alert),
            Part("When it was raised", (), (str(alert.get("raised", "")),)),
            _now(latest, alert.get("section"), settings),
        ),
        trace,
        _acknowledge(link),
    )


def of_many(
    events: Sequence[Mapping[str, Any]],
    settings: Settings,
    latest: Mapping[str, Any],
    trace: Trace | None,
    link: str,
    digest: bool,
) -> Letter:
    """Many events in one letter, oldest first: the day's digest, or what came or waited together."""
    picture = latest["picture"]
    n = len(events)
    count = f"{n} notice{'s' if n > 1 else ''}"
    lines = tuple(f"{_short(e['at'], settings)}: {_in_short(e)}" for e in events)
    if digest:
        heading, lead = f"Digest: {count}", "What could wait until now."
    else:
        heading = f"{count} at once"
        lead = "They came together, or waited while no mail could be sent. Oldest first."
    state = str(picture.get("state", ""))
    now = Part("Now", (("Site", f"{state}: {picture.get('reason', '')}"),))
    heard = local(events[-1]["at"], settings).rpartition("(")[2].rstrip(")")
    tone = "plain" if digest else _worst(events)
    standing = [a for a in picture.get("alerts", []) if a["state"] == "active"]
    return Letter(
        _subject(f"{heading[0].lower()}{heading[1:]}", settings, tone),
        tone,
        heading,
        lead,
        (now, Part(f"Oldest first, times in {heard}", (), lines), _now(latest, None, settings)),
        trace,
        _acknowledge(link) if standing else None,
    )


def of_week(account: Account, settings: Settings, link: str) -> Letter:
    """The account of a week."""
    first, last = (
        datetime.fromtimestamp(at, settings.site.zone) for at in (account.since, account.until)
    )
    days = f"{first:%a} {first.day} {first:%b} to {last:%a} {last.day} {last:%b}"
    rows = tuple(
        (
            row.label,
            (row.now or "not measured") + (f" (before: {row.before})" if row.before else ""),
        )
        for row in account.rows
    )
    parts = [
        Part("What changed", (), account.changed),
        Part("What to do", (), account.todo),
        Part("Figures, with those of the week before", rows),
    ]
    for heading, lines in (
        ("Alerts", account.alerts),
        ("Hold tests", account.tests),
        ("Due", account.due),
        ("Records", account.records),
    ):
        parts.append(Part(heading, (), lines or ("None.",)))
    return Letter(
        _subject("account of the week", settings),
        "plain",
        "Account of the week",
        days,
        tuple(parts),
        None,
        ("Open the page on site", link),
    )


def with_note(letter: Letter, note: str) -> Letter:
    """The letter with one more thing said at its end."""
    return letter._replace(parts=(*letter.parts, Part("About these letters", (), (note,))))


def local(at: str, settings: Settings) -> str:
    """An ISO time in the site's own, with the offset that a record needs."""
    when = datetime.fromisoformat(at).astimezone(settings.site.zone)
    offset = when.strftime("%z")
    return f"{when:%a} {when.day} {when:%b %Y %H:%M} (UTC{offset[:3]}:{offset[3:]})"


def _short(at: str, settings: Settings) -> str:
    when = datetime.fromisoformat(at).astimezone(settings.site.zone)
    return f"{when:%a} {when.day} {when:%b %H:%M}"


def _subject(about: str, settings: Settings, tone: str = "") -> str:
    """How soon, where and what; before all of it where it comes from no sensor."""
    word = "Simulated: " if settings.simulated else ""
    return f"{word}{MARKS.get(tone, '')}{settings.site.name}: {about}"


def _advice(about: Mapping[str, Any]) -> advice.Advice:
    return advice.of(str(about["alert"]), about.get("cause"))


def _cause(about: Mapping[str, Any]) -> tuple[str, str]:
    return ("Likely cause", _advice(about).cause or "the figures do not tell one")


def _work(about: Mapping[str, Any]) -> tuple[Part, ...]:
    """What whoever goes there needs to know before the van is loaded."""
    known = _advice(about)
    said = (
        ("What to do", str(about.get("todo", ""))),
        ("Check first", known.check),
        ("Bring", known.bring),
    )
    return tuple(Part(heading, (), (line,)) for heading, line in said if line)


def _acknowledge(link: str) -> tuple[str, str]:
    return ("Acknowledge on site (you sign in there)", link)


def _in_short(event: Mapping[str, Any]) -> str:
    words = {
        "alert_raised": str(event.get("priority", "")),
        "alert_explained": "cause found",
        "alert_cleared": "ended",
        "alert_acknowledged": "acknowledged",
        "alert_shelved": "shelved",
        "hold_test_finished": str(event.get("verdict", "")),
    }[event["kind"]]
    return f"{title(event)} ({words}). {event['text']}"


def _worst(events: Iterable[Mapping[str, Any]]) -> str:
    found = {e.get("priority") for e in events if e["kind"] == "alert_raised"}
    return next((tone for tone in ("urgent", "soon", "planned") if tone in found), "plain")


def _now(latest: Mapping[str, Any], section: object, settings: Settings) -> Part:
    """The figures of the section at the time of writing."""
    words = Words(settings)
    name = SUPPLY if section is None else str(section)
    figures = latest["picture"].get("sections", {}).get(name) or {}
    rows: list[tuple[str, str]] = []
    if figures.get("pressure_kpa") is not None:
        rows.append(("Pressure", words.pressure(float(figures["pressure_kpa"]))))
    if name == SUPPLY:
        loss, baseline = figures.get("loss"), figures.get("baseline")
        if loss is not None:
            said = words.rate(float(loss["loss_at_reference_kpa_per_h"]))
            if baseline is not None:
                said += f", commissioned at {words.rate(float(baseline['loss_kpa_per_h']))}"
            rows.append(("Loss", said))
        if figures.get("purity") is not None:
            rows.append(("Nitrogen", words.percent(float(figures["purity"]["nitrogen_pct"]))))
        if figures.get("runtime_day_s") is not None:
            ran = words.duration(float(figures["runtime_day_s"]))
            rows.append(("Ran in 24 h", f"{ran}, {figures.get('starts_day', 0)} starts"))
        hours = (figures.get("hours_above_low") or {}).get("hours")
        if hours is not None:
            left = words.duration(3600.0 * float(hours))
            rows.append(("Above the low limit", f"for {left} if the supply stopped now"))
    return Part(f"Now, {name}", tuple(rows), () if rows else ("No reading.",))


# --- onto paper


def message(letter: Letter, envelope: Envelope, settings: Settings) -> EmailMessage:
    """The letter as a message: text, HTML, the picture inside, and headers that thread it and
    mark it automatic (RFC 3834, RFC 5322)."""
    # Long enough that no Message-ID is folded, which some receivers cannot put together again.
    out = EmailMessage(policy=SMTP.clone(max_line_length=160))
    out["From"] = formataddr((" ".join(f"dryhold {settings.site.name}".split()), envelope.sender))
    out["To"] = envelope.recipient
    subject = " ".join(letter.subject.split())  # a header is one line, whatever it names
    out["Subject"] = f"Re: {subject}" if envelope.thread else subject
    out["Date"] = format_datetime(envelope.at)
    out["Message-ID"] = envelope.message_id
    if envelope.thread:
        out["In-Reply-To"] = envelope.thread
        out["References"] = envelope.thread
    out["Auto-Submitted"] = "auto-generated"
    if envelope.urgent:
        out["Importance"] = "high"
    if envelope.events:
        out["Dryhold-Events"] = " ".join(envelope.events)
    out.set_content(text(letter, settings), cte="quoted-printable")
    out.add_alternative(html(letter, settings), subtype="html", cte="quoted-printable")
    if letter.trace is not None:
        part = out.get_payload()[1]  # type: ignore[index]
        part.add_related(  # type: ignore[union-attr]
            letter.trace.png,
            "image",
            "png",
            cid="<trace>",
            disposition="inline",
            filename="pressure.png",
        )
    return out


def text(letter: Letter, settings: Settings) -> str:
    """The plain part."""
    blocks = [letter.heading.upper(), fill(letter.lead, 76)]
    if settings.simulated:
        blocks.insert(1, fill(settings.mark.upper(), 76))
    for part in letter.parts:
        lines = [part.heading] if part.heading else []
        width = max((len(label) for label, _ in part.rows), default=0)
        lines += [f"  {label + ':':<{width + 1}} {value}" for label, value in part.rows]
        lines += [
            fill(line, 76, initial_indent="  - ", subsequent_indent="    ") for line in part.lines
        ]
        blocks.append("\n".join(lines))
    if letter.trace is not None:
        blocks.append(letter.trace.words)
    if letter.link is not None:
        blocks.append(f"{letter.link[0]}:\n{letter.link[1]}")
    blocks.append("-- \n" + "\n".join(fill(line, 76) for line in _foot(settings)))
    return "\n\n".join(block for block in blocks if block) + "\n"


def html(letter: Letter, settings: Settings) -> str:
    """The HTML part: one column, nothing fetched from anywhere."""
    colour, shape = _TONES.get(letter.tone, _TONES["plain"])
    body = [
        f'<h1 style="margin:0 0 8px;font-size:20px;line-height:1.3;color:{colour}">'
        f'<span aria-hidden="true">{shape}</span> {escape(letter.heading)}</h1>',
        f'<p style="margin:0 0 16px;font-size:17px;line-height:1.45">{escape(letter.lead)}</p>',
    ]
    if settings.simulated:
        body.insert(
            0,
            f'<p style="margin:0 0 16px;padding:8px 12px;background:{_INK};color:{_PAPER};'
            f'font-weight:600">{escape(settings.mark)}</p>',
        )
    body += [_part(part) for part in letter.parts[:2]]
    if letter.trace is not None:
        body.append(
            '<p style="margin:0 0 16px"><img src="cid:trace" width="560"'
            f' alt="{escape(letter.trace.words)}"'
            f' style="width:100%;max-width:560px;height:auto;border:1px solid {_RULE}"></p>'
        )
    body += [_part(part) for part in letter.parts[2:]]
    if letter.link is not None:
        words, address = letter.link
        body.append(
            f'<p style="margin:0 0 20px"><a href="{escape(address)}" style="display:inline-block;'
            f"padding:12px 16px;border:2px solid {_INK};color:{_INK};text-decoration:none;"
            f'font-weight:600">{escape(words)}</a></p>'
        )
    foot = "<br>".join(escape(line) for line in _foot(settings))
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width"><meta name="color-scheme"'
        f' content="light"><title>{escape(letter.subject)}</title></head>'
        f'<body style="margin:0;background:{_PAPER};color:{_INK};'
        'font-family:system-ui,-apple-system,Segoe UI,Roboto,Helvetica,Arial,sans-serif">'
        f'<div style="max-width:600px;margin:0 auto;padding:16px;border-top:6px solid {colour}">'
        f"{''.join(body)}"
        f'<p style="margin:0;padding-top:12px;border-top:1px solid {_RULE};font-size:13px;'
        f'line-height:1.45;color:{_SOFT}">{foot}</p></div></body></html>\n'
    )


def _part(part: Part) -> str:
    out = ""
    if part.heading:
        out += f'<h2 style="margin:0 0 4px;font-size:15px">{escape(part.heading)}</h2>'
    if part.rows:
        cells = "".join(
            f'<tr><th scope="row" style="padding:4px 12px 4px 0;text-align:left;font-weight:400;'
            f'vertical-align:top;color:{_SOFT}">{escape(label)}</th>'
            f'<td style="padding:4px 0;vertical-align:top">{_unbroken(value)}</td></tr>'
            for label, value in part.rows
        )
        out += (
            '<table style="margin:0 0 16px;border-collapse:collapse;font-size:15px;'
            f'line-height:1.4">{cells}</table>'
        )
    if len(part.lines) == 1:
        out += f'<p style="margin:0 0 16px;font-size:15px;line-height:1.45">{escape(part.lines[0])}</p>'
    elif part.lines:
        items = "".join(f'<li style="margin:0 0 6px">{escape(line)}</li>' for line in part.lines)
        out += (
            '<ul style="margin:0 0 16px;padding-left:20px;font-size:15px;line-height:1.45">'
            f"{items}</ul>"
        )
    return out


def _unbroken(value: str) -> str:
    """Escaped, with no break inside a UTC offset nor between a number and its unit."""
    text = re.sub(r"(?<=\d) (?=%|psi|kPa|bar|h\b|min\b)", NBSP, value)
    return escape(text.replace("(UTC-", f"(UTC{NO_BREAK_HYPHEN}"))


def _foot(settings: Settings) -> list[str]:
    lines = [f"{settings.site.name}, watched by dryhold. Sent by a machine: replies are not read."]
    if settings.site.contact is not None:
        lines.append(f"Whom to call: {settings.site.contact}.")
    return [*lines, CAUTION]
