"""How often something was compared that could have spoken against a unit or its stand.

A check in which nothing was compared says nothing, however it ends. Whatever compares says so here: the judge, the
procedures that raise UnitFault where a unit does not do what it must, and every `assert` of a sequence.
"""

from __future__ import annotations


class _Comparisons:
    made = 0


def compared() -> None:
    """Count one comparison, whatever comes of it."""
    _Comparisons.made += 1


def comparisons() -> int:
    """Return how many comparisons this process has made."""
    return _Comparisons.made
