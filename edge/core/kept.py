"""State that survives a restart as plain data, without each class spelling it out twice."""

from typing import Any


class Kept:
    """A class that lists in `KEPT` the attributes which make up its state.

    Numbers, text, None, lists and dicts of them are kept as they are; attributes that are
    `Kept` themselves are kept inside.
    """

    KEPT: tuple[str, ...] = ()

    def state(self) -> dict[str, Any]:
        """The state as JSON-ready data, sharing nothing with this object."""
        return {name: _plain(getattr(self, name)) for name in self.KEPT}

    def restore(self, state: dict[str, Any]) -> None:
        """Take up a state written by `state`, perhaps by an older version: what it did not know
        yet stays as it is when new, so that an update forgets nothing."""
        for name in self.KEPT:
            if name not in state:
                continue
            mine, kept = getattr(self, name), state[name]
            if isinstance(mine, Kept):
                mine.restore(kept)
            else:
                setattr(self, name, _plain(kept))


def _plain(value: Any) -> Any:
    if isinstance(value, Kept):
        return value.state()
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return value
