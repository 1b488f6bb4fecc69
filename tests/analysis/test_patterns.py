"""Pattern sets: their sizes and their escapes, against check-values section 8."""

from itertools import combinations, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.patterns import (
    Joined,
    Short,
    StuckOff,
    StuckOn,
    Vector,
    shortest_complete,
    true_complement,
)
from tests.analysis.classic_patterns import counting, respond, walking_one


def columns(vectors: tuple[Vector, ...]) -> list[tuple[bool, ...]]:
    """Return the code of every point."""
    return list(zip(*vectors, strict=True))


# check-values 8.4 (formulas of 8.1 to 8.3 from memory; recomputed): counting, true/complement, walking.
@pytest.mark.parametrize(
    ("points", "sizes"),
    [
        (4, (3, 4, 4)),
        (6, (3, 6, 6)),
        (8, (4, 6, 8)),
        (14, (4, 8, 14)),
        (15, (5, 8, 15)),
        (16, (5, 8, 16)),
        (30, (5, 10, 30)),
        (32, (6, 10, 32)),
        (64, (7, 12, 64)),
    ],
)
def test_each_set_has_the_known_number_of_vectors(points: int, sizes: tuple[int, int, int]) -> None:
    """The three classic sets have the sizes of check-values 8.4."""
    assert (len(counting(points)), len(true_complement(points)), len(walking_one(points))) == sizes
    assert len(shortest_complete(points)) == sizes[1] + 2


def test_counting_codes_of_eight_points_are_the_listed_ones() -> None:
    """The codes for N = 8 are those below the table of check-values 8 (recomputed), bit 0 first."""
    codes = ["".join(str(int(bit)) for bit in code) for code in columns(counting(8))]
    assert codes == ["1000", "0100", "1100", "0010", "1010", "0110", "1110", "0001"]


@pytest.mark.parametrize("points", [8, 16])
def test_counting_from_zero_lets_two_stuck_points_escape(points: int) -> None:
    """Plain counting 0..N-1 has two stuck-at escapes (check-values 8.5), codes 1..N have none."""
    plain = true_complement(points)[::2]

    def escapes(vectors: tuple[Vector, ...]) -> int:
        faults = [kind(point) for point in range(points) for kind in (StuckOn, StuckOff)]
        return sum(all(respond(vector, (fault,)) == vector for vector in vectors) for fault in faults)

    assert escapes(plain) == 2
    assert escapes(counting(points)) == 0


# check-values 8.6 (recomputed there by an independent simulation).
@pytest.mark.parametrize(
    ("vectors", "cases", "aliases", "one_sided"),
    [
        (counting(8), 56, 12, 24),
        (true_complement(8), 56, 0, 0),
        (walking_one(8), 56, 0, 0),
        (counting(16), 240, 85, 100),
        (true_complement(16), 240, 0, 0),
    ],
)
def test_shorts_are_ambiguous_in_the_known_number_of_cases(
    vectors: tuple[Vector, ...], cases: int, aliases: int, one_sided: int
) -> None:
    """How often a short reads as a third point's code, or shows at one point only, is as in 8.6."""
    codes = columns(vectors)
    seen = third = single = 0
    for a, b in combinations(range(len(codes)), 2):
        for joined in (Joined.WIRED_OR, Joined.WIRED_AND):
            read = columns(tuple(respond(vector, (Short(a, b, joined),)) for vector in vectors))
            looks_wrong = (read[a] != codes[a]) + (read[b] != codes[b])
            seen += looks_wrong > 0
            single += looks_wrong == 1
            third += read[a] in (code for point, code in enumerate(codes) if point not in {a, b})
    assert (seen, third, single) == (cases, aliases, one_sided)


@given(st.integers(1, 300))
def test_no_counting_code_is_all_off_or_all_on(points: int) -> None:
    """Every point is off once and on once, and no two points share a code, in every set."""
    for vectors in (counting(points), true_complement(points), shortest_complete(points)):
        codes = columns(vectors)
        assert len(set(codes)) == points
        assert all(any(code) and not all(code) for code in codes)


@given(st.integers(2, 40))
def test_of_two_points_each_is_on_alone_once(points: int) -> None:
    """True/complement and walking one drive every ordered pair apart, which detects every crosstalk."""
    for vectors in (true_complement(points), walking_one(points)):
        for a, b in permutations(columns(vectors), 2):
            assert any(x and not y for x, y in zip(a, b, strict=True))


@pytest.mark.parametrize("build", [true_complement, shortest_complete])
def test_no_points_is_refused(build: object) -> None:
    """A pattern for no points is an error that says so, never an empty success."""
    assert callable(build)
    with pytest.raises(ValueError, match="0 points: expected at least 1"):
        build(0)
