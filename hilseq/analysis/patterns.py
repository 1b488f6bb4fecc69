"""Test vectors for many points at once: which points to switch on together, and in which order.

A vector holds one bool per point (True: on). N points read with M vectors give every point a code of
M bits; a set of vectors is good when no fault can turn one code into another unseen. Sources: counting
codes that avoid all-0 and all-1 (Wagner 1987, "Interconnect testing with boundary scan") and the
true/complement set, both from memory, with the counts and escapes recomputed by fault simulation.
"""

from __future__ import annotations

Vector = tuple[bool, ...]


def _checked(points: int) -> int:
    if points < 1:
        raise ValueError(f"a pattern for {points} points: expected at least 1 point")
    return points


def code_length(codes: int) -> int:
    """Return ceil(log2(codes)): how many bits tell `codes` codes apart, at least 1."""
    return max(1, (_checked(codes) - 1).bit_length())


def _bit(position: int, points: int, first_code: int) -> Vector:
    return tuple(bool((code >> position) & 1) for code in range(first_code, first_code + points))


def _complement(vector: Vector) -> Vector:
    return tuple(not level for level in vector)


def all_off(points: int) -> Vector:
    """Return the vector with every point off."""
    return (False,) * _checked(points)


def all_on(points: int) -> Vector:
    """Return the vector with every point on."""
    return (True,) * _checked(points)


def walking_one(points: int) -> tuple[Vector, ...]:
    """Return N vectors with one point on in each: the slow classic the others are measured against."""
    every = range(_checked(points))
    return tuple(tuple(point == on for point in every) for on in every)


def counting(points: int) -> tuple[Vector, ...]:
    """Return ceil(log2(N+2)) vectors giving point i the code i+1, so none has all 0 or all 1.

    Detects every single fault of `pattern_faults`, but cannot name every short: the result may equal
    the code of a third point, or only one of the two points may look wrong.
    """
    return tuple(_bit(position, points, 1) for position in range(code_length(_checked(points) + 2)))


def true_complement(points: int) -> tuple[Vector, ...]:
    """Return 2*ceil(log2 N) vectors: each bit of the codes 0..N-1 and, next to it, its complement.

    Every point is off and on half of the time, and of two points each is on alone in some vector.
    (N = 1 gets the two vectors it needs instead of none.)
    """
    plain = [_bit(position, points, 0) for position in range(code_length(points))]
    return tuple(vector for bit in plain for vector in (bit, _complement(bit)))


def shortest_complete(points: int) -> tuple[Vector, ...]:
    """Return the shortest set here that detects and names every single fault without a follow-up.

    All off, all on, then true/complement: 2*ceil(log2 N) + 2 vectors. All off tells a point that is
    stuck on from one that follows its exact complement; all on does the same for stuck off against a
    wired-and short. It is not a proven minimum: finding a fault (not naming it) takes at least the
    least M with binomial(M, M/2) >= N vectors (Sperner), 8 where N = 64 against the 14 given here.
    """
    return (all_off(points), all_on(points), *true_complement(points))
