"""Large answers are made one at a time: years of history in many threads at once would cost tens of
megabytes, and be no sooner ready."""

import threading
from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

_ONE = threading.Lock()

P = ParamSpec("P")
R = TypeVar("R")


def one_at_a_time(view: Callable[P, R]) -> Callable[P, R]:
    """A route whose answer is made only while no other such answer is."""

    @wraps(view)
    def waiting(*args: P.args, **kwargs: P.kwargs) -> R:
        with _ONE:
            return view(*args, **kwargs)

    return waiting
