"""What a fault does to a vector, by hand, and what may not change."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.patterns import Crosstalk, Fault, Joined, Open, Short, StuckOff, StuckOn, Swapped
from tests.analysis.classic_patterns import respond

OR, AND, FIRST = Joined.WIRED_OR, Joined.WIRED_AND, Joined.FIRST_DOMINATES


def bits(text: str) -> tuple[bool, ...]:
    """Return a vector from `0110`, point 0 first."""
    return tuple(character == "1" for character in text)


# Worked by hand from the definitions (fault classes: check-values 8.7).
@pytest.mark.parametrize(
    ("faults", "applied", "read"),
    [
        ((StuckOn(1),), "0000", "0100"),
        ((StuckOff(1),), "1111", "1011"),
        ((Open(2),), "1111", "1101"),
        ((Open(2, reads=True),), "0000", "0010"),
        ((Short(0, 2, OR),), "1000", "1010"),
        ((Short(0, 2, AND),), "1000", "0000"),
        ((Short(0, 2, FIRST),), "1000", "1010"),
        ((Short(0, 2, FIRST),), "0010", "0000"),
        ((Crosstalk(0, 3),), "1000", "1001"),
        ((Crosstalk(0, 3),), "0001", "0001"),
        ((Swapped(0, 3),), "1000", "0001"),
        # Two faults at once: the driver first, then the wire, then the reader.
        ((Short(0, 1, OR), StuckOn(0)), "0000", "1100"),
        ((Short(0, 1, OR), Open(0)), "1000", "0100"),
        ((Short(0, 1, OR), Short(1, 2, OR)), "0010", "1110"),
        ((Short(0, 1, OR), Short(1, 2, AND)), "1100", "0000"),
        ((Crosstalk(0, 1), Crosstalk(1, 2)), "1000", "1100"),
        ((Swapped(0, 1), Swapped(1, 2)), "1000", "0010"),
    ],
    ids=str,
)
def test_each_fault_reads_as_worked_by_hand(faults: tuple[Fault, ...], applied: str, read: str) -> None:
    """A fault changes the vector as its definition says."""
    assert respond(bits(applied), faults) == bits(read)


@given(st.lists(st.booleans(), min_size=4, max_size=12).map(tuple), st.permutations(range(4)))
def test_points_not_concerned_read_as_driven(vector: tuple[bool, ...], order: list[int]) -> None:
    """Only the points of a fault can change; without a fault nothing changes."""
    a, b, *others = order
    faults: list[Fault] = [
        StuckOn(a),
        Open(a),
        Crosstalk(a, b),
        Swapped(a, b),
        *(Short(a, b, j) for j in Joined),
    ]
    for fault in faults:
        read = respond(vector, (fault,))
        assert all(read[point] == vector[point] for point in [*others, *range(4, len(vector))])
    assert respond(vector, ()) == vector


def test_a_fault_outside_the_vector_is_refused() -> None:
    """A point the vector does not have is an error naming the fault and the range, negative ones too."""
    for point in (4, -1):
        with pytest.raises(ValueError, match=rf"StuckOn\(point={point}\).*expected 0\.\.3"):
            respond(bits("0000"), (StuckOn(point),))


@pytest.mark.parametrize("kind", [Short, Crosstalk, Swapped])
def test_a_point_cannot_be_paired_with_itself(kind: type[Short] | type[Crosstalk] | type[Swapped]) -> None:
    """A fault between two points needs two."""
    with pytest.raises(ValueError, match="point 3 and itself"):
        kind(3, 3)
