"""Sequences of O.150, against check-values section 7."""

from itertools import groupby

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.analysis.bit_errors import PRBS9, PRBS15, BitSource, Sequence

# The other sequences of O.150 (check-values 7.1): the law is the same, so they prove it where the two in use are short.
PRBS11 = Sequence("2^11-1", 11, 9, inverted=False)  # 5.2
PRBS20 = Sequence("2^20-1", 20, 3, inverted=False)  # 5.4
PRBS23 = Sequence("2^23-1", 23, 18, inverted=True)  # 5.6
PRBS31 = Sequence("2^31-1", 31, 28, inverted=True)  # 5.8
SEQUENCES = (PRBS9, PRBS11, PRBS15, PRBS20, PRBS23, PRBS31)


def text(value: int, count: int) -> str:
    """Return bits as text, the first bit first."""
    return f"{value:0{count}b}"[::-1]


def test_the_511_sequence_starts_as_published() -> None:
    """First 64 bits from the first of nine ones, and their octets (check-values 7.2, recomputed)."""
    wanted = "1111111110000011110111110001011100110010000010010100111011010001"
    assert text(BitSource(PRBS9).bits(64), 64) == wanted
    published = bytes.fromhex(
        "FF 83 DF 17 32 09 4E D1"
    )  # the highest bit first; a UART sends the lowest first
    assert BitSource(PRBS9).octets(8) == bytes(int(f"{octet:08b}"[::-1], 2) for octet in published)


# check-values 7.3 (recomputed by full generation): ones in a period, of the bits on the line.
@pytest.mark.parametrize(
    ("sequence", "ones"),
    [(PRBS9, 256), (PRBS11, 1024), (PRBS15, 16383), (PRBS20, 1 << 19), (PRBS23, 4194303)],
)
def test_a_period_has_the_known_ones_and_closes(sequence: Sequence, ones: int) -> None:
    """A period has one more one than zeros (one less when inverted), then repeats; no part of it does."""
    period = sequence.period
    bits = BitSource(sequence).bits(period + 64)
    assert (bits & ((1 << period) - 1)).bit_count() == ones
    assert bits >> period == bits & ((1 << 64) - 1)
    register = BitSource(sequence).bits(sequence.length)
    assert all(
        (bits >> (period // divisor)) & ((1 << sequence.length) - 1) != register
        for divisor in (3, 5, 7, 23, 31, 47, 73, 89, 151)
        if period % divisor == 0
    )


# check-values 7.1 (O.150 clauses 5.1 to 5.8 as tabulated by a crate) and 7.3.
@pytest.mark.parametrize(
    ("sequence", "zeros"), [(PRBS9, 8), (PRBS11, 10), (PRBS15, 15), (PRBS20, 19), (PRBS23, 23)]
)
def test_the_longest_run_of_zeros_is_as_tabulated(sequence: Sequence, zeros: int) -> None:
    """The longest run of zeros in a period is what O.150 states for the sequence."""
    line = text(BitSource(sequence).bits(sequence.period + 64), sequence.period + 64)
    assert "0" * zeros in line
    assert "0" * (zeros + 1) not in line


def test_runs_and_autocorrelation_of_511() -> None:
    """256 runs, halving in number with length, and off-peak autocorrelation -1 (check-values 7.3)."""
    line = text(BitSource(PRBS9).bits(511), 511)
    line = line[line.index("0") :] + line[: line.index("0")]
    runs = [(level, len(list(run))) for level, run in groupby(line)]
    assert len(runs) == 256
    assert [runs.count(("0", length)) for length in range(1, 10)] == [64, 32, 16, 8, 4, 2, 1, 1, 0]
    assert [runs.count(("1", length)) for length in range(1, 10)] == [64, 32, 16, 8, 4, 2, 1, 0, 1]
    for shift in (1, 2, 100, 510):
        turned = line[shift:] + line[:shift]
        assert sum(1 if a == b else -1 for a, b in zip(line, turned, strict=True)) == -1


def test_the_long_sequence_obeys_its_taps() -> None:
    """2^31-1 (taps 31 and 28, inverted) obeys its law bit by bit; a period is too long to run."""
    bits = ~BitSource(PRBS31).bits(5000)
    assert all(((bits >> i) ^ (bits >> (i - 31)) ^ (bits >> (i - 28))) & 1 == 0 for i in range(31, 5000))


@given(st.sampled_from(SEQUENCES), st.lists(st.integers(0, 500), max_size=6))
def test_pieces_join_to_the_whole(sequence: Sequence, pieces: list[int]) -> None:
    """Bits taken in pieces of any size are the bits taken at once."""
    source, joined, at = BitSource(sequence), 0, 0
    for piece in pieces:
        joined |= source.bits(piece) << at
        at += piece
    assert joined == BitSource(sequence).bits(at)


def test_an_impossible_register_is_refused() -> None:
    """A register of zeros gives no sequence, so it is an error."""
    for register in (0, 512, -1):
        with pytest.raises(ValueError, match=f"register {register}: expected 1 to 511"):
            BitSource(PRBS9, register)
