"""How many bits a bit error ratio (BER) claim takes, and what counted errors prove.

Needed bits n solve chi2(C; 2k+2)/2 = n*BER (Poisson, the table bit-error-ratio testers print); bounds
from counted errors are the exact binomial ones, which are never weaker.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hilseq.analysis.proportion import lower_bound, share, upper_bound
from hilseq.analysis.reliability import mean_count_lower, mean_count_upper


@dataclass(frozen=True, slots=True)
class Frame:
    """One character on an asynchronous line: a start bit, data bits, perhaps a parity bit, stop bits."""

    data_bits: int = 8
    parity: bool = False
    stop_bits: float = 1.0

    def __post_init__(self) -> None:
        if not 5 <= self.data_bits <= 9:  # noqa: PLR2004 - the sizes a UART knows
            raise ValueError(f"{self.data_bits} data bits: expected 5 to 9")
        if self.stop_bits not in {1.0, 1.5, 2.0}:
            raise ValueError(f"{self.stop_bits!r} stop bits: expected 1, 1.5 or 2")

    @property
    def line_bits(self) -> float:
        """Bit times one character takes on the line."""
        return 1 + self.data_bits + self.parity + self.stop_bits


def bits_needed(ratio: float, confidence: float, errors: int = 0) -> int:
    """Return the bits to pass with at most `errors` errors to claim a BER below `ratio`."""
    return math.ceil(mean_count_upper(errors, confidence) / share("bit error ratio", ratio))


def bits_to_condemn(ratio: float, confidence: float, errors: int) -> int:
    """Return the bits within which `errors` errors prove a BER above `ratio` (0: no number of bits)."""
    return math.floor(mean_count_lower(errors, confidence) / share("bit error ratio", ratio))


def ratio_upper(bits: int, errors: int, confidence: float) -> float:
    """Return the BER not exceeded, at this one-sided confidence."""
    return upper_bound(errors, bits, confidence)


def ratio_lower(bits: int, errors: int, confidence: float) -> float:
    """Return the BER exceeded, at this one-sided confidence."""
    return lower_bound(errors, bits, confidence)


def duration(bits: int, baud: float, frame: Frame | None = None) -> float:
    """Return the seconds that `bits` payload bits take at `baud` bit/s, in characters when framed.

    Without a frame the line carries payload only. A begun character takes its whole time.
    """
    if bits < 0:
        raise ValueError(f"{bits} bits: expected 0 or more")
    if not baud > 0.0:
        raise ValueError(f"a line of {baud!r} bit/s: expected more than 0")
    if frame is None:
        return bits / baud
    return math.ceil(bits / frame.data_bits) * frame.line_bits / baud
