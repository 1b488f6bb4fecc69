"""Test vectors for many points at once, and the faults between points that they are there to find.

A vector holds one bool per point (True: on). N points read with M vectors give every point a code of
M bits; a set of vectors is good when no fault can turn one code into another unseen. Sources: counting
codes that avoid all-0 and all-1 (Wagner 1987, "Interconnect testing with boundary scan") and the
true/complement set, both from memory, with the counts and escapes recomputed by fault simulation.

The signal passes four places, each with its own kinds of fault, applied in this order: the driver
(stuck), the wire (shorted, one net for all points joined), the coupling (crosstalk) and the reader
(open, swapped). Fault classes after the abstract of "Novel control pattern generators for interconnect
testing with boundary scan" (Bell Labs, 1999): stuck-at, stuck-driving, stuck-not-driving, and nets
shorted as wired-and, wired-or or with one net dominating. Points are counted from 0.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

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


class Joined(Enum):
    """Which level wins where two points are shorted."""

    WIRED_OR = "wired-or"
    WIRED_AND = "wired-and"
    FIRST_DOMINATES = "the first dominates"


@dataclass(frozen=True, slots=True)
class _OfOnePoint:
    """A fault of one point by itself."""

    point: int

    @property
    def points(self) -> tuple[int, ...]:
        """The points concerned."""
        return (self.point,)


@dataclass(frozen=True, slots=True)
class StuckOn(_OfOnePoint):
    """The point is on whatever is asked of it."""

    @property
    def kind(self) -> str:
        """The name of the fault as a technician says it."""
        return "stuck on, or open and read as on"


@dataclass(frozen=True, slots=True)
class StuckOff(_OfOnePoint):
    """The point is off whatever is asked of it."""

    @property
    def kind(self) -> str:
        """The name of the fault as a technician says it."""
        return "stuck off, or open and read as off"


@dataclass(frozen=True, slots=True)
class Open(_OfOnePoint):
    """The wire to the reader is broken; the reader then shows `reads` always."""

    reads: bool = False

    @property
    def kind(self) -> str:
        """The name of the fault: from outside an open point looks like a stuck one."""
        return StuckOn(self.point).kind if self.reads else StuckOff(self.point).kind


@dataclass(frozen=True, slots=True)
class Short:
    """Points a and b are connected; `joined` says which level both then have."""

    a: int
    b: int
    joined: Joined = Joined.WIRED_OR

    def __post_init__(self) -> None:
        _two_points("a short", self.a, self.b)

    @property
    def points(self) -> tuple[int, ...]:
        """The points concerned."""
        return (self.a, self.b)

    @property
    def kind(self) -> str:
        """The name of the fault as a technician says it."""
        return f"shorted, {self.joined.value}"


@dataclass(frozen=True, slots=True)
class Crosstalk:
    """The victim is on when it should be, and also whenever the aggressor is."""

    aggressor: int
    victim: int

    def __post_init__(self) -> None:
        _two_points("crosstalk", self.aggressor, self.victim)

    @property
    def points(self) -> tuple[int, ...]:
        """The points concerned, the aggressor first."""
        return (self.aggressor, self.victim)

    @property
    def kind(self) -> str:
        """The name of the fault as a technician says it."""
        return "the second also follows the first"


@dataclass(frozen=True, slots=True)
class Swapped:
    """The wires of a and b are exchanged; listed one after another, swaps make a longer rotation."""

    a: int
    b: int

    def __post_init__(self) -> None:
        _two_points("a swap", self.a, self.b)

    @property
    def points(self) -> tuple[int, ...]:
        """The points concerned."""
        return (self.a, self.b)

    @property
    def kind(self) -> str:
        """The name of the fault as a technician says it."""
        return "swapped"


Fault = StuckOn | StuckOff | Open | Short | Crosstalk | Swapped


def _two_points(what: str, a: int, b: int) -> None:
    if a == b:
        raise ValueError(f"{what} between point {a} and itself: expected two different points")


def _nets(shorts: Iterable[Short]) -> Iterable[list[Short]]:
    """Group shorts that share points: one group is one net."""
    nets: dict[int, list[Short]] = {}
    for short in shorts:
        net = nets.setdefault(short.a, [])
        other = nets.setdefault(short.b, net)
        net.append(short)
        if other is not net:
            net.extend(other)
            nets.update((point, net) for joined in other for point in joined.points)
            nets[short.b] = net
    return {id(net): net for net in nets.values()}.values()


def _net_level(net: list[Short], driven: dict[int, bool]) -> bool:
    """Return the one level of a net: a dominating driver wins, then wired-and, then wired-or."""
    strong = {short.a for short in net if short.joined is Joined.FIRST_DOMINATES}
    if strong:
        return all(driven[point] for point in strong)
    levels = [driven[point] for short in net for point in short.points]
    return all(levels) if any(short.joined is Joined.WIRED_AND for short in net) else any(levels)


def _driven(vector: Vector, faults: Iterable[Fault]) -> dict[int, bool]:
    """Return the level of the drivers of the points the faults concern."""
    level: dict[int, bool] = {}
    for fault in faults:
        for point in fault.points:
            if not 0 <= point < len(vector):
                raise ValueError(
                    f"{fault} in a vector of {len(vector)} points: expected 0..{len(vector) - 1}"
                )
            level.setdefault(point, vector[point])
        if isinstance(fault, StuckOn | StuckOff):
            level[fault.point] = isinstance(fault, StuckOn)
    return level


def _wired(level: dict[int, bool], faults: Iterable[Fault]) -> None:
    """Give every net its one level, then couple it into the victims (coupling does not continue from there)."""
    faults = tuple(faults)
    for net in _nets(fault for fault in faults if isinstance(fault, Short)):
        net_level = _net_level(net, level)
        level.update((point, net_level) for short in net for point in short.points)
    quiet = dict(level)
    for fault in faults:
        if isinstance(fault, Crosstalk) and quiet[fault.aggressor]:
            level[fault.victim] = True


def _read(level: dict[int, bool], faults: Iterable[Fault]) -> None:
    """Break the open wires, then exchange the swapped ones."""
    faults = tuple(faults)
    for fault in faults:
        if isinstance(fault, Open):
            level[fault.point] = fault.reads
    for fault in faults:
        if isinstance(fault, Swapped):
            level[fault.a], level[fault.b] = level[fault.b], level[fault.a]


def changed(vector: Vector, faults: Iterable[Fault]) -> dict[int, bool]:
    """Return what is read at the points the faults concern, and at those only (cheap for large N).

    Raises ValueError for a fault at a point the vector does not have.
    """
    faults = tuple(faults)
    level = _driven(vector, faults)
    _wired(level, faults)
    _read(level, faults)
    return level
