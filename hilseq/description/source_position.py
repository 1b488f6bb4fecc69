"""What stands in a description file, value by value, each with the place where it is written.

Pure data: the reader of YAML makes it, ranges are expanded in it, and every message takes its line
and column from it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

Key = str | int
#: Keys and list positions from the root of a document down to one value.
Place = tuple[Key, ...]
Scalar = str | int | float | bool | dt.date | None


class Mark(NamedTuple):
    """A place in a text file; both count from 1, the column in characters."""

    line: int
    column: int


@dataclass(frozen=True, slots=True)
class SourcePosition:
    """One value as written: a scalar, a mapping of keys to values, or a list of values.

    `text` is the scalar as it stands in the file, and `quoted` tells whether it stood in quotes.
    `key` is the place of the key in front of the value, if there is one.
    """

    content: Scalar | dict[Key, SourcePosition] | list[SourcePosition]
    mark: Mark
    key: Mark | None = None
    text: str = ""
    quoted: bool = field(default=False, kw_only=True)

    def plain(self) -> Any:
        """Return the value as ordinary Python data."""
        if isinstance(self.content, dict):
            return {key: value.plain() for key, value in self.content.items()}
        if isinstance(self.content, list):
            return [value.plain() for value in self.content]
        return self.content

    def child(self, key: Key) -> SourcePosition | None:
        """Return the value under a key or at a list position, or None."""
        if isinstance(self.content, dict):
            return self.content.get(key)
        if isinstance(self.content, list) and isinstance(key, int) and 0 <= key < len(self.content):
            return self.content[key]
        return None

    def at(self, place: Place) -> SourcePosition:
        """Return the value at a place, or the deepest one that exists on the way there."""
        found = self
        for key in place:
            below = found.child(key)
            if below is None:
                break
            found = below
        return found

    def holds(self, place: Place) -> bool:
        """Tell whether something is written at a place."""
        found: SourcePosition | None = self
        for key in place:
            found = None if found is None else found.child(key)
        return found is not None

    @property
    def start(self) -> Mark:
        """Where the key stands when there is one, else the value."""
        return self.key or self.mark

    @property
    def pointer(self) -> Mark:
        """Where a message points: a mapping is found by its key, anything else by itself."""
        return self.start if isinstance(self.content, dict) else self.mark

    def items(self) -> Iterator[tuple[Key, SourcePosition]]:
        """Yield the keys and values of a mapping; nothing for anything else."""
        if isinstance(self.content, dict):
            yield from self.content.items()
