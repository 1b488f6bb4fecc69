"""From vectors applied and vectors read to the faults that explain them, and the vector that tells more.

Every point has a code sent (its bits over all vectors) and a code seen. Points whose codes differ are
gathered into sites that can be explained independently of each other; a site lists its alternatives:
the fewest faults that explain it (Occam), and several stuck points where those would explain it too.
Work grows with N times the number of wrong points. Points are counted from 0.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import combinations, pairwise, product
from operator import and_, or_

from hilseq.analysis.patterns import (
    Crosstalk,
    Fault,
    Joined,
    Short,
    StuckOff,
    StuckOn,
    Swapped,
    Vector,
    changed,
)

#: More points than this reading alike are no longer paired off: a common cause is likelier, and pairs
#: would grow with the square.
_LARGEST_GROUP = 24
#: Steps of the search for common causes in one site before it settles for the best found, and how many
#: equally good ones it keeps: a follow-up vector then thins them out.
_MOST_STEPS = 2_000
_MOST_KEPT = 64
#: Up to this many points, every vector over them is tried (2**6 = 64).
_FEW_POINTS = 6

Alternative = tuple[Fault, ...]
#: For each wrong point, the faults that explain it, each with all the wrong points it explains.
Reasons = dict[int, list[tuple[frozenset[int], Alternative]]]


@dataclass(frozen=True, slots=True)
class FaultSite:
    """Points that read wrong for one common reason, and what that reason may be (fewest faults first).

    No alternative at all: the points read wrong in a way no fault model explains.
    """

    points: tuple[int, ...]
    alternatives: tuple[Alternative, ...]

    @property
    def unique(self) -> bool:
        """Whether exactly one reason is left."""
        return len(self.alternatives) == 1

    @property
    def involved(self) -> tuple[int, ...]:
        """The wrong points and every other point that some alternative names."""
        named = {point for faults in self.alternatives for fault in faults for point in fault.points}
        return tuple(sorted(named.union(self.points)))

    def sentence(self, names: Sequence[str]) -> str:
        """Say what is wrong, with the names of the points: `q3 and q7: shorted, wired-or`."""
        if not self.alternatives:
            return f"{', '.join(names[point] for point in self.points)}: read wrong, no single cause fits"
        return "; or ".join(
            " with ".join(
                f"{' and '.join(names[point] for point in fault.points)}: {fault.kind}" for fault in faults
            )
            for faults in self.alternatives
        )


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """All sites of one set of responses; no site means that every point followed."""

    sites: tuple[FaultSite, ...]
    size: int

    @property
    def healthy(self) -> bool:
        """Whether every point read as it was driven."""
        return not self.sites

    @property
    def unique(self) -> bool:
        """Whether every site has exactly one explanation left."""
        return all(site.unique for site in self.sites)

    @property
    def points(self) -> tuple[int, ...]:
        """Every point that read wrong, in order."""
        return tuple(sorted(point for site in self.sites for point in site.points))

    @property
    def faults(self) -> Alternative:
        """The first explanation of every site, together."""
        return tuple(fault for site in self.sites for fault in (site.alternatives or ((),))[0])


@dataclass(frozen=True, slots=True)
class _Codes:
    """The evidence, one column (an int, bit m for vector m) per point."""

    vectors: tuple[Vector, ...]
    sent: list[int]
    seen: list[int]
    by_sent: dict[int, list[int]]
    by_seen: dict[int, list[int]]
    wrong: frozenset[int]

    @property
    def ones(self) -> int:
        return (1 << len(self.vectors)) - 1


def _columns(vectors: Sequence[Vector], points: int) -> list[int]:
    codes = [0] * points
    for position, vector in enumerate(vectors):
        for point, level in enumerate(vector):
            if level:
                codes[point] |= 1 << position
    return codes


def _positions(codes: Iterable[int]) -> dict[int, list[int]]:
    found: dict[int, list[int]] = defaultdict(list)
    for point, code in enumerate(codes):
        found[code].append(point)
    return found


def _evidence(vectors: Sequence[Vector], responses: Sequence[Vector]) -> _Codes:
    if len(vectors) != len(responses) or not vectors:
        raise ValueError(f"{len(vectors)} vectors, {len(responses)} responses: expected as many, at least 1")
    lengths = {len(vector) for vector in (*vectors, *responses)}
    if len(lengths) != 1:
        raise ValueError(f"vectors and responses of {sorted(lengths)} points: expected one common length")
    size = lengths.pop()
    sent, seen = _columns(vectors, size), _columns(responses, size)
    wrong = frozenset(point for point in range(size) if sent[point] != seen[point])
    return _Codes(tuple(vectors), sent, seen, _positions(sent), _positions(seen), wrong)


def _alone(codes: _Codes, point: int) -> Iterator[Alternative]:
    """Yield the single faults that make this one point read wrong and leave the others as they are."""
    sent, seen = codes.sent[point], codes.seen[point]
    if seen == codes.ones:
        yield (StuckOn(point),)
    if seen == 0:
        yield (StuckOff(point),)
    for other in codes.by_sent.get(seen, ()):
        yield (Short(other, point, Joined.FIRST_DOMINATES),)
    if sent & ~seen == 0:
        for other, code in enumerate(codes.sent):
            if other != point and code | sent == seen:
                yield (Crosstalk(other, point),)


def _shorted(codes: _Codes) -> Iterator[Alternative]:
    """Yield shorts, of two points or of a whole group, that make all their points read alike."""
    laws: tuple[tuple[Joined, Callable[[int, int], int]], ...] = (
        (Joined.WIRED_OR, or_),
        (Joined.WIRED_AND, and_),
    )
    for seen in {codes.seen[point] for point in codes.wrong}:
        group = codes.by_seen[seen]
        for joined, law in laws:
            if len(group) > 2 and reduce(law, (codes.sent[point] for point in group)) == seen:  # noqa: PLR2004
                yield tuple(Short(a, b, joined) for a, b in pairwise(group))
            if len(group) > _LARGEST_GROUP:
                continue
            for a, b in combinations(group, 2):
                if law(codes.sent[a], codes.sent[b]) == seen and not codes.wrong.isdisjoint((a, b)):
                    yield (Short(a, b, joined),)


def _exchanged(codes: _Codes) -> Iterator[Alternative]:
    """Yield rotations of wires: each point shows the code of the next one, the last that of the first."""
    done: set[int] = set()
    for start in sorted(codes.wrong):
        chain, point = [], start
        while point in codes.wrong and point not in done:
            done.add(point)
            chain.append(point)
            sources = codes.by_sent.get(codes.seen[point], [])
            if len(sources) != 1:
                break
            point = sources[0]
        if len(chain) > 1 and point == start:
            yield tuple(Swapped(a, b) for a, b in pairwise(chain))


def _covered(codes: _Codes, faults: Alternative) -> frozenset[int]:
    return codes.wrong.intersection(point for fault in faults for point in fault.points)


def _groups(codes: _Codes, shared: Iterable[frozenset[int]]) -> Iterator[frozenset[int]]:
    """Yield the wrong points in groups that some common fault could explain, by their lowest point."""
    root = {point: point for point in codes.wrong}

    def top(point: int) -> int:
        while root[point] != point:
            root[point] = point = root[root[point]]
        return point

    for points in shared:
        first = min(points)
        for point in points:
            root[top(point)] = top(first)
    members: dict[int, set[int]] = defaultdict(set)
    for point in sorted(codes.wrong):
        members[top(point)].add(point)
    yield from (frozenset(group) for group in members.values())


def _covers(group: frozenset[int], reasons: Reasons) -> list[Alternative]:
    """Return the ways to explain each point of the group exactly once with the fewest faults."""
    best = _fewest([faults for points, faults in reasons[min(group)] if points == group])
    if len(group) == 1 or (best and len(best[0]) == 1):
        return best
    if len(group) > _LARGEST_GROUP:
        alone = [
            [faults for points, faults in reasons[point] if points == {point}] for point in sorted(group)
        ]
        return best or ([tuple(fault for own in alone for fault in own[0])] if all(alone) else [])
    stack: list[tuple[frozenset[int], Alternative]] = [(group, ())]
    for _ in range(_MOST_STEPS):
        if not stack or len(best) >= _MOST_KEPT:
            break
        left, faults = stack.pop()
        if best and len(faults) > len(best[0]):
            continue
        if not left:
            best = _fewest([*best, faults])
            continue
        stack.extend(
            (left - points, faults + more) for points, more in reversed(reasons[min(left)]) if points <= left
        )
    return best


def _fewest(alternatives: list[Alternative]) -> list[Alternative]:
    """Return those with the fewest faults."""
    least = min(map(len, alternatives), default=0)
    return [faults for faults in alternatives if len(faults) == least]


def _fits(codes: _Codes, group: frozenset[int], faults: Alternative) -> bool:
    """Whether these faults give exactly what was seen, at the group and at points that read right."""
    for position, vector in enumerate(codes.vectors):
        for point, level in changed(vector, faults).items():
            judged = point in group or point not in codes.wrong
            if judged and level != bool((codes.seen[point] >> position) & 1):
                return False
    return True


def _same(one: Alternative, two: Alternative, size: int) -> bool:
    """Whether no vector whatever tells the two apart (tried only where few points are concerned)."""
    points = sorted({point for fault in one for point in fault.points})
    if len(points) > _FEW_POINTS or set(points) != {point for fault in two for point in fault.points}:
        return False
    return all(
        changed(vector, one) == changed(vector, two)
        for vector in (
            _vector(dict(zip(points, levels, strict=True)), size) for levels in _every(len(points))
        )
    )


def _every(count: int) -> Iterator[tuple[bool, ...]]:
    return product((False, True), repeat=count)


def _vector(levels: dict[int, bool], size: int) -> Vector:
    vector = [False] * size
    for point, level in levels.items():
        vector[point] = level
    return tuple(vector)


def diagnose(vectors: Sequence[Vector], responses: Sequence[Vector]) -> Diagnosis:
    """Explain the responses to the vectors applied, site by site.

    Exact for one fault with the set `shortest_complete`; with other sets, or several faults, look at
    `unique` and apply `next_pattern`. Every point that read wrong is in `points` in any case. Raises
    ValueError when the numbers of vectors, responses or points differ.
    """
    codes = _evidence(vectors, responses)
    common = [(_covered(codes, faults), faults) for faults in (*_exchanged(codes), *_shorted(codes))]
    reasons: Reasons = defaultdict(list)
    for points, faults in sorted(common, key=lambda reason: -len(reason[0])):
        for point in points:
            reasons[point].append((points, faults))
    for point in codes.wrong:
        reasons[point].extend((frozenset((point,)), faults) for faults in _alone(codes, point))
    return Diagnosis(
        tuple(
            FaultSite(tuple(sorted(group)), _alternatives(codes, group, reasons))
            for group in _groups(codes, [points for points, _ in common])
        ),
        len(codes.sent),
    )


def _alternatives(codes: _Codes, group: frozenset[int], reasons: Reasons) -> tuple[Alternative, ...]:
    found = _covers(group, reasons)
    if all(codes.seen[point] in {0, codes.ones} for point in group):
        found.append(
            tuple(StuckOn(point) if codes.seen[point] else StuckOff(point) for point in sorted(group)),
        )
    kept: dict[frozenset[int], list[Alternative]] = defaultdict(list)
    for faults in found:
        like = kept[frozenset(point for fault in faults for point in fault.points)]
        if (
            faults not in like
            and _fits(codes, group, faults)
            and not any(_same(faults, other, len(codes.sent)) for other in like)
        ):
            like.append(faults)
    return tuple(sorted((faults for like in kept.values() for faults in like), key=len))


def _trials(site: FaultSite) -> Iterator[dict[int, bool]]:
    """Yield levels for the points of a site that may tell its alternatives apart."""
    points = site.involved
    if len(points) <= _FEW_POINTS:
        yield from (dict(zip(points, levels, strict=True)) for levels in _every(len(points)))
        return
    for own, others in _every(2):
        yield {point: own if point in site.points else others for point in points}
    # Splitting by the binary digits of the point's number leaves half of N suspects each time, and
    # parts any two of them.
    for digit in range(max(points).bit_length()):
        for own, parity in _every(2):
            yield {
                point: own if point in site.points else bool(point >> digit & 1) == parity for point in points
            }
    # The two first alternatives always part here, so that there is progress.
    few = sorted({point for faults in site.alternatives[:2] for fault in faults for point in fault.points})
    for levels in _every(len(few)) if len(few) <= _FEW_POINTS else ():
        yield dict(zip(few, levels, strict=True))


def _left(site: FaultSite, vector: Vector) -> int:
    """Return the sum of squares of the sizes of the classes the vector sorts the alternatives into."""
    classes: dict[tuple[tuple[int, bool], ...], int] = defaultdict(int)
    for faults in site.alternatives:
        # A point read as driven looks the same whether a fault concerns it or not.
        reads = ((point, level) for point, level in changed(vector, faults).items() if level != vector[point])
        classes[tuple(sorted(reads))] += 1
    return sum(count * count for count in classes.values())


def next_pattern(diagnosis: Diagnosis) -> Vector | None:
    """Return the vector that best parts the alternatives of the ambiguous sites, all in one go.

    None when nothing is ambiguous or no vector can part what is left. Apply it, then diagnose again
    with all vectors and responses so far.
    """
    levels: dict[int, bool] = {}
    for site in diagnosis.sites:
        whole = len(site.alternatives) ** 2
        best, fewest = None, whole
        for trial in _trials(site) if whole > 1 else ():
            wanted = trial | levels
            left = _left(site, _vector(wanted, diagnosis.size))
            if left < fewest:
                best, fewest = wanted, left
        levels = best if best is not None else levels
    return _vector(levels, diagnosis.size) if levels else None
