"""What strangers, damage and bad wires can put in, each as a function of bytes with its contract.

A target returns for whatever input it can use or refuse; what it raises is a finding. The one way
to refuse is the typed error that its docstring names, and is caught there. To add one: a function
that makes a Target in a scratch folder, with @target and its door, in one of the files below.
"""

import shutil
from pathlib import Path

from tests.fuzz import asked, files, page, told, wires
from tests.fuzz.target import MAKERS, Target

FILES = (asked, files, page, told, wires)
"""Where the targets are; loading a file registers its own."""


def make(name: str, scratch: Path) -> Target:
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    return MAKERS[name].make(scratch)
