"""Diagnosis against simulated faults, every single fault exhaustively for small N."""

import random
from collections.abc import Callable, Iterator
from itertools import combinations, permutations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilseq.analysis.pattern_diagnosis import Diagnosis, diagnose, next_pattern
from hilseq.analysis.patterns import (
    Crosstalk,
    Fault,
    Joined,
    Open,
    Short,
    StuckOff,
    StuckOn,
    Swapped,
    Vector,
    shortest_complete,
    true_complement,
)
from tests.analysis.classic_patterns import counting, respond, walking_one

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
    """Return whether no vector over the points concerned parts the two (other points do not matter)."""
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


def test_five_hundred_suspects_are_halved_by_each_follow_up() -> None:
    """The one of 512 possible aggressors takes about log2(512) = 9 vectors, not one vector each."""
    vectors = counting(1024)
    fault = Crosstalk(588, 510)  # codes 589 and 511: any code from 512 up would read the same
    first = diagnose(vectors, answers(vectors, fault))
    assert len(first.sites[0].alternatives) > 512
    diagnosis, steps = followed_up(vectors, (fault,))
    assert diagnosis.faults == (fault,)
    assert steps <= 11


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


def test_two_stuck_points_are_distinguished_from_a_short_by_a_follow_up() -> None:
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


def test_descriptions_that_no_vector_parts_count_as_one() -> None:
    """A bridge over three points, described from either end, is one explanation."""
    faults = (Short(0, 6), Short(1, 6))  # codes 1, 2 and 7: under counting, the third point looks right
    vectors = counting(8)
    (site,) = diagnose(vectors, answers(vectors, *faults)).sites
    assert sum(alike(other, faults, 8) for other in site.alternatives) == 1
    assert not any(alike(one, two, 8) for one, two in combinations(site.alternatives, 2))
    assert followed_up(vectors, faults)[0].unique


def test_every_alternative_explains_what_was_read() -> None:
    """Partial reasons that contradict each other when put together are not offered (found at random)."""
    vectors = counting(6)
    seen = (1, 6, 2, 2, 0, 2)
    read = [tuple(bool(code >> position & 1) for code in seen) for position in range(len(vectors))]
    sites = diagnose(vectors, read).sites
    assert {point for site in sites for point in site.points} == {1, 2, 3, 4, 5}
    for site in sites:
        for faults in site.alternatives:
            got = answers(vectors, *faults)
            assert [[v[p] for p in site.points] for v in got] == [[v[p] for p in site.points] for v in read]


def test_one_follow_up_serves_several_sites() -> None:
    """Three victims, each with dozens of possible aggressors, take hardly more vectors than one."""
    vectors = counting(256)
    faults = (Crosstalk(140, 126), Crosstalk(200, 110), Crosstalk(180, 94))
    alone = max(followed_up(vectors, (fault,))[1] for fault in faults)
    diagnosis, together = followed_up(vectors, faults)
    assert set(diagnosis.faults) == set(faults)
    assert together <= alone + 1


def test_a_lost_supply_under_counting_is_distinguished_from_one_great_short() -> None:
    """All of 1024 points off could be one net pulled down; all on, the next vector, tells."""
    vectors = counting(1024)
    off = (False,) * 1024
    diagnosis = diagnose(vectors, [off] * len(vectors))
    assert {len(faults) for faults in diagnosis.sites[0].alternatives} == {1023, 1024}
    more = next_pattern(diagnosis)
    assert more == (True,) * 1024
    named = diagnose((*vectors, more), [off] * (len(vectors) + 1))
    assert named.faults == tuple(StuckOff(point) for point in range(1024))


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
