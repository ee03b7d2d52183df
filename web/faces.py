"""Typefaces for paper: the library's own, and what the box has where that lacks a letter.

Bitstream Vera (comes with the library) has Latin letters only. For others, these Debian packages
are used where they are installed: fonts-dejavu-core (Greek, Cyrillic and more),
fonts-wqy-zenhei (Chinese, Japanese, Korean) or fonts-droid-fallback (without Korean). A letter that
no typeface has, and scripts that join their letters or run from right to left (they need shaping,
which the library does not do), are replaced by a mark that says so; `Faces.marked` then is true.
"""

import os
import unicodedata
from collections.abc import Iterator
from importlib.resources import as_file, files
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from xml.sax.saxutils import escape

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont

MORE = ("DejaVuSans.ttf", "DroidSansFallbackFull.ttf", "DroidSansFallback.ttf", "wqy-zenhei.ttc")
NOTE = (
    "This paper cannot show some letters; they are marked [script, how many]. They are whole on the"
    " page and in the record itself. Installing fonts-wqy-zenhei on the box helps for Chinese,"
    " Japanese and Korean."
)
OWN, NONE = "Text", "no typeface: "
SHAPED = ("AL", "R", "AN")  # Unicode's bidirectional classes of right-to-left scripts
JOINED = (
    "BENGALI", "DEVANAGARI", "GUJARATI", "GURMUKHI", "KANNADA", "KHMER", "LAO", "MALAYALAM",
    "MONGOLIAN", "MYANMAR", "ORIYA", "SINHALA", "SYRIAC", "TAMIL", "TELUGU", "THAI", "TIBETAN",
)  # fmt: skip


def fonts() -> None:
    """Make the typeface known, as Text and Strong."""
    for name, file in (("Text", "Vera.ttf"), ("Strong", "VeraBd.ttf")):
        with as_file(files("reportlab") / "fonts" / file) as path:
            pdfmetrics.registerFont(TTFont(name, str(path)))


class Faces:
    """Loaded once for each sheet."""

    def __init__(self) -> None:
        fonts()
        self._own = pdfmetrics.getFont("Text").face.charToGlyph
        self._more: list[tuple[str, dict[int, int]]] | None = None
        self.marked = False

    def say(self, text: str) -> str:
        """`text` as a paragraph's markup; every letter is there or marked."""
        text = unicodedata.normalize("NFC", text)
        if all(ord(letter) in self._own or letter.isspace() for letter in set(text)):
            return escape(text)
        out = []
        for face, run in groupby(self._faced(text), itemgetter(0)):
            letters = "".join(letter for _, letter in run)
            if face == OWN:
                out.append(escape(letters))
            elif face.startswith(NONE):
                self.marked = True
                many = sum(not letter.isspace() for letter in letters)
                out.append(f"[{escape(face.removeprefix(NONE))}, {many}]")
            else:
                out.append(f'<font name="{face}">{escape(letters)}</font>')
        return "".join(out)

    def _faced(self, text: str) -> Iterator[tuple[str, str]]:
        """Each letter with its typeface; blanks between words that have none belong to them."""
        blanks, last = "", OWN
        for letter in text:
            if letter.isspace():
                blanks += letter
                continue
            face = self._face(letter)
            between = face if face == last and face.startswith(NONE) else OWN
            yield from ((between, blank) for blank in blanks)
            yield face, letter
            blanks, last = "", face
        yield from ((OWN, blank) for blank in blanks)

    def _face(self, letter: str) -> str:
        """The typeface for a letter, or NONE and the script that has none."""
        if ord(letter) in self._own:
            return OWN
        script = unicodedata.name(letter, "unknown").partition(" ")[0]
        shown = script if script == "CJK" else script.capitalize()
        none = NONE + (shown if unicodedata.category(letter).startswith("L") else "symbol")
        if unicodedata.bidirectional(letter) in SHAPED or script in JOINED:
            return none
        if self._more is None:
            self._more = _found()
        return next((name for name, glyphs in self._more if ord(letter) in glyphs), none)


def _found() -> list[tuple[str, dict[int, int]]]:
    """What the box has of MORE, in that order."""
    folders = os.environ.get("XDG_DATA_DIRS") or "/usr/local/share:/usr/share"
    there: dict[str, Path] = {}
    for folder in folders.split(":"):
        for path in sorted((Path(folder) / "fonts").rglob("*.tt[fc]")):
            there.setdefault(path.name, path)
    faces = []
    for name in MORE:
        if name in there:
            try:
                pdfmetrics.registerFont(TTFont(name, str(there[name]), subfontIndex=0))
            except (TTFError, OSError):
                continue  # a file that is no typeface is as good as none
            faces.append((name, pdfmetrics.getFont(name).face.charToGlyph))
    return faces
