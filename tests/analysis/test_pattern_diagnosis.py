"""Diagnosis against simulated faults, every single fault exhaustively for small N."""

import random
from collections.abc import Callable, Iterator
from itertools import combinations, permutations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.analysis.pattern_diagnosis import Diagnosis, diagnose, next_pattern
from hilseq.analysis.pattern_faults import (
    Crosstalk,
    Fault,
    Joined,
    Open,
    Short,
    StuckOff,
    StuckOn,
    Swapped,
    respond,
)
from hilseq.analysis.patterns import Vector, counting, shortest_complete, true_complement, walking_one

Vectors = tuple[Vector, ...]


def single_faults(points: int) -> Iterator[Fault]:
    """Yield every single fault of N points that differs from every other."""
    for point in range(points):
        yield StuckOn(point)
        yield StuckOff(point)
        yield Open(point, reads=True)
        yield Open(point)
    for a, b in combinations(range(points), 2):
        yield Short(a, b, Joined.WIRED_OR)
        yield Short(a, b, Joined.WIRED_AND)
        yield Swapped(a, b)
    for a, b in permutations(range(points), 2):
        yield Short(a, b, Joined.FIRST_DOMINATES)
        yield Crosstalk(a, b)


def answers(vectors: Vectors, *faults: Fault) -> Vectors:
    """Return what a unit with these faults answers."""
    return tuple(respond(vector, faults) for vector in vectors)


def alike(one: tuple[Fault, ...], two: tuple[Fault, ...], points: int) -> bool:
    """Tell whether no vector over the points concerned parts the two (other points do not matter)."""
    concerned = sorted({point for fault in (*one, *two) for point in fault.points})
    for levels in product((False, True), repeat=len(concerned)):
        level = dict(zip(concerned, levels, strict=True))
        vector = tuple(level.get(point, False) for point in range(points))
        if respond(vector, one) != respond(vector, two):
            return False
    return True


def followed_up(vectors: Vectors, faults: tuple[Fault, ...], most: int = 12) -> tuple[Diagnosis, int]:
    """Diagnose and apply follow-up vectors until no vector tells more; return how many it took."""
    first = len(vectors)
    for _ in range(most):
        diagnosis = diagnose(vectors, answers(vectors, *faults))
        more = next_pattern(diagnosis)
        if more is None:
            return diagnosis, len(vectors) - first
        assert more not in vectors
        vectors = (*vectors, more)
    pytest.fail(f"still ambiguous after {most} follow-up vectors: {diagnosis}")


@pytest.mark.parametrize("points", range(1, 13))
def test_the_complete_set_names_every_single_fault_at_once(points: int) -> None:
    """For N up to 12 each single fault is found and named, with exactly one explanation (8.6, 8.7)."""
    vectors = shortest_complete(points)
    for fault in single_faults(points):
        diagnosis = diagnose(vectors, answers(vectors, fault))
        assert diagnosis.unique, (fault, diagnosis)
        assert len(diagnosis.faults) == 1
        assert alike(diagnosis.faults, (fault,), points), (fault, diagnosis)
        assert diagnosis.faults[0].kind == fault.kind
        assert next_pattern(diagnosis) is None


@pytest.mark.parametrize("build", [counting, true_complement, walking_one])
@pytest.mark.parametrize("points", [2, 3, 5, 8])
def test_follow_up_names_what_a_shorter_set_left_open(build: Callable[[int], Vectors], points: int) -> None:
    """With the sets that detect but cannot always name, follow-up vectors end at the true fault."""
    vectors = build(points)
    for fault in single_faults(points):
        if answers(vectors, fault) == vectors:
            continue  # not detected by this set: other tests count those
        diagnosis, _ = followed_up(vectors, (fault,))
        assert diagnosis.unique
        assert alike(diagnosis.faults, (fault,), points), (fault, diagnosis)


def test_a_healthy_unit_has_no_site() -> None:
    """No wrong reading, no suspicion."""
    vectors = shortest_complete(16)
    diagnosis = diagnose(vectors, vectors)
    assert diagnosis.healthy
    assert diagnosis.unique
    assert diagnosis.faults == ()
    assert next_pattern(diagnosis) is None


def test_thousand_points_one_short_is_named() -> None:
    """N = 1024 with a short between distant points is named with 22 vectors."""
    vectors = shortest_complete(1024)
    fault = Short(3, 1000, Joined.WIRED_AND)
    assert len(vectors) == 22
    assert diagnose(vectors, answers(vectors, fault)).faults == (fault,)


def test_a_short_seen_by_counting_in_a_thousand_points_is_named_in_few_follow_ups() -> None:
    """Halving the suspects takes about log2 of their number, not one vector each."""
    vectors = counting(1024)
    fault = Short(0, 1022, Joined.WIRED_OR)  # codes 1 and 1023: only point 0 looks wrong
    diagnosis, steps = followed_up(vectors, (fault,))
    assert diagnosis.faults == (fault,)
    assert steps <= 13


@pytest.mark.parametrize("level", [False, True])
def test_all_points_stuck_are_all_reported(level: bool) -> None:
    """A lost common supply names every point as stuck and is over in a moment."""
    vectors = shortest_complete(1024)
    diagnosis = diagnose(vectors, tuple((level,) * 1024 for _ in vectors))
    assert diagnosis.points == tuple(range(1024))
    assert diagnosis.faults == tuple((StuckOn if level else StuckOff)(point) for point in range(1024))


def test_a_rotation_of_wires_is_named_as_swaps() -> None:
    """Three connectors plugged one place on are explained by two swaps that give the same reading."""
    vectors = shortest_complete(8)
    faults = (Swapped(1, 4), Swapped(4, 6))
    diagnosis = diagnose(vectors, answers(vectors, *faults))
    assert len(diagnosis.sites) == 1
    assert diagnosis.unique
    assert alike(diagnosis.faults, faults, 8)


def test_three_shorted_points_are_one_net() -> None:
    """A bridge over three points is one site naming all three."""
    vectors = shortest_complete(8)
    faults = (Short(0, 3), Short(3, 5))
    (site,) = diagnose(vectors, answers(vectors, *faults)).sites
    assert site.points == (0, 3, 5)
    assert alike(site.alternatives[0], faults, 8)


def test_two_stuck_points_are_told_from_a_short_by_a_follow_up() -> None:
    """Without an all-on vector, complements shorted read like two stuck points; one vector parts them."""
    vectors = true_complement(4)
    for faults in ((StuckOff(0), StuckOff(3)), (Short(0, 3, Joined.WIRED_AND),)):
        read = diagnose(vectors, answers(vectors, *faults))
        assert {len(faults) for faults in read.sites[0].alternatives} == {1, 2}
        diagnosis, steps = followed_up(vectors, faults)
        assert steps == 1
        assert diagnosis.faults == faults


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 4))
def test_several_independent_faults_are_each_located(seed: int, count: int) -> None:
    """Each point that reads wrong is reported, and what is said explains the whole reading."""
    rng = random.Random(seed)
    points = 32
    vectors = shortest_complete(points)
    places = rng.sample(range(points), 2 * count)
    faults: list[Fault] = []
    for a, b in zip(places[::2], places[1::2], strict=True):
        kinds: list[Fault] = [StuckOn(a), StuckOff(a), Crosstalk(a, b), Swapped(a, b)]
        faults.append(rng.choice([*kinds, *(Short(a, b, joined) for joined in Joined)]))
    read = answers(vectors, *faults)
    diagnosis = diagnose(vectors, read)
    codes, seen = zip(*vectors, strict=True), zip(*read, strict=True)
    wrong = tuple(p for p, (sent, got) in enumerate(zip(codes, seen, strict=True)) if sent != got)
    assert diagnosis.points == wrong
    assert answers(vectors, *diagnosis.faults) == read
    true_places = {point for fault in faults for point in fault.points}
    assert set(wrong) <= true_places
    assert len(diagnosis.faults) <= len(faults)


def test_an_unexplained_reading_is_reported_without_a_cause() -> None:
    """A point that answers at random is named, and no fault is invented for it."""
    vectors = shortest_complete(8)
    read = [list(vector) for vector in vectors]
    read[1][2] = not read[1][2]
    (site,) = diagnose(vectors, [tuple(vector) for vector in read]).sites
    assert site.points == (2,)
    assert site.alternatives == ()
    assert not site.unique
    assert site.sentence([f"q{point}" for point in range(8)]) == "q2: read wrong, no single cause fits"


def test_the_sentence_names_the_points() -> None:
    """A technician reads names and the kind of fault."""
    names = [f"q{point}" for point in range(8)]
    vectors = shortest_complete(8)
    said = [
        diagnose(vectors, answers(vectors, fault)).sites[0].sentence(names)
        for fault in (Short(3, 7), StuckOff(1), Crosstalk(2, 0))
    ]
    assert said == [
        "q3 and q7: shorted, wired-or",
        "q1: stuck off, or open and read as off",
        "q2 and q0: the second also follows the first",
    ]


def test_mismatched_evidence_is_refused() -> None:
    """Different numbers of vectors, responses or points are errors that give the numbers."""
    vectors = shortest_complete(4)
    with pytest.raises(ValueError, match="6 vectors, 5 responses"):
        diagnose(vectors, vectors[:-1])
    with pytest.raises(ValueError, match=r"of \[3, 4\] points"):
        diagnose(vectors, [vector[:3] for vector in vectors])
    with pytest.raises(ValueError, match="0 vectors"):
        diagnose((), ())
