"""README's own lines, so that what is followed is what people read."""

import re
from pathlib import Path


def block(readme: str, after: str, kind: str = "sh") -> str:
    """The first fenced block of that kind after a phrase; AssertionError where there is none."""
    assert readme.count(after) == 1, f"README has {readme.count(after)} times: {after}"
    found = re.search(rf"```{kind}\n(.*?)```", readme.split(after)[1], re.S)
    assert found is not None, f"README has no {kind} block after: {after}"
    return found[1]


def line(readme: str, begins: str) -> str:
    """The one command in running text that begins so."""
    found = re.findall(rf"`({re.escape(begins)}[^`]*)`", readme)
    assert len(found) == 1, f"README has {len(found)} times: {begins}"
    return str(found[0])


def text(clone: Path) -> str:
    return (clone / "README.md").read_text()
