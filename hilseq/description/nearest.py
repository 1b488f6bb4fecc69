"""The word that was probably meant."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable
from functools import lru_cache
from itertools import islice

#: difflib compares with every word; more than this many would take longer than a person waits.
_MOST = 2000


#: From this likeness on, of 1, a word was probably meant; from the other on it is a slip of the pen.
LIKE, SLIP = 0.6, 0.8


def nearest_word(word: object, words: Iterable[object], likeness: float = LIKE) -> str:
    """Return the word that was probably meant, or an empty text."""
    known = tuple(str(candidate) for candidate in islice(words, _MOST))
    meant = _closest(str(word)[:100], known, likeness)
    return meant if meant != word else ""


def must_be_known(kind: str, names: Iterable[str], known: Collection[str]) -> None:
    """Raise LookupError, with the nearest right name, unless all names are known."""
    for name in names:
        if name not in known:
            near = nearest_word(name, known)
            hint = f"did you mean {near!r}?" if near else f"expected one of {listed(known) or 'none'}"
            raise LookupError(f"there is no {kind} {name!r}; {hint}")


@lru_cache(maxsize=16)
def _closest(word: str, words: tuple[str, ...], likeness: float) -> str:
    """Return the word most like another; a file that is wrong a thousand times is often so in one way."""
    known = {candidate.lower(): candidate for candidate in words}
    close = difflib.get_close_matches(word.lower().replace("_", "-"), known, n=1, cutoff=likeness)
    return known[close[0]] if close else ""


def listed(names: Iterable[str]) -> str:
    """Return names as a person lists them: `q01 to q04, q07`."""
    runs: list[tuple[str, str]] = []
    for name in names:
        if runs and _follows(runs[-1][1], name):
            runs[-1] = (runs[-1][0], name)
        else:
            runs.append((name, name))
    return ", ".join(first if first == last else f"{first} to {last}" for first, last in runs)


def _follows(name: str, following: str) -> bool:
    prefix = name.rstrip("0123456789")
    digits = name[len(prefix) :]
    return bool(digits) and following == f"{prefix}{int(digits) + 1:0{len(digits)}d}"
