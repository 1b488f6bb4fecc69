"""What the shipped patterns are measured against: the classic sets, and what points with faults answer."""

from __future__ import annotations

from collections.abc import Iterable

from hilseq.analysis.patterns import Fault, Vector, changed, code_length


def walking_one(points: int) -> tuple[Vector, ...]:
    """Return N vectors with one point on in each: the slow classic the others are measured against."""
    return tuple(tuple(point == on for point in range(points)) for on in range(points))


def counting(points: int) -> tuple[Vector, ...]:
    """Return ceil(log2(N+2)) vectors giving point i the code i+1, so none has all 0 or all 1.

    Detects every single fault, but cannot name every short: the result may equal the code of a third point, or
    only one of the two points may look wrong.
    """
    return tuple(
        tuple(bool((code >> position) & 1) for code in range(1, points + 1))
        for position in range(code_length(points + 2))
    )


def respond(vector: Vector, faults: Iterable[Fault]) -> Vector:
    """Return what is read when `vector` is applied to points that have these faults."""
    read = list(vector)
    for point, level in changed(vector, faults).items():
        read[point] = level
    return tuple(read)
