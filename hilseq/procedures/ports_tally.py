"""Counting the errors of one port at one speed, until what was claimed of it is proven or refuted."""

from __future__ import annotations

from dataclasses import dataclass

from hilseq.analysis.bit_errors import bits_needed, bits_to_condemn, ratio_upper
from hilseq.analysis.limits import Limits
from hilseq.measured import Measured

#: Confidence with which a claim is proven, or refuted.
CONFIDENCE = 0.95
#: Bits exchanged where the profile claims nothing: one period of the 2^9-1 sequence, eight times.
_UNCLAIMED = 8 * 511
#: A port so near its claim that this many times the bits of an errorless proof decide nothing fails it.
_MOST = 20


@dataclass(slots=True)
class Tally:
    """What came of the exchanges at one speed (Bd): bits over the line, and errors among them."""

    speed: float
    claim: float | None
    bits: int = 0
    errors: int = 0
    exchanges: int = 0
    silent: int = 0
    first_error: str = ""

    def add(self, bits: int, errors: int) -> None:
        """Count an exchange that came back, with so many wrong bits."""
        self.exchanges += 1
        self.bits += bits
        self.errors += errors
        if errors and not self.first_error:
            self.first_error = f"{errors} wrong in {bits} bits"

    def lost(self, bits: int, why: str, *, silent: bool) -> None:
        """Count an exchange of so many bits of which nothing, or nonsense, came back: one error at least."""
        self.first_error = self.first_error or why
        self.silent += silent
        self.add(bits, 1)

    @property
    def dead(self) -> bool:
        """Tell whether nothing ever came back."""
        return self.silent == self.exchanges > 0

    @property
    def wants_more(self) -> bool:
        """Tell whether more bits are needed to decide.

        Decided is what as many errors in so many bits prove (chi-square bounds of `biterror`): the claim
        holds, or it does not. Looking after each exchange makes the confidence nominal.
        """
        if self.claim is None:
            return self.bits < _UNCLAIMED and not self.errors
        if self.bits >= _MOST * bits_needed(self.claim, CONFIDENCE):
            return False
        if self.errors and self.bits <= bits_to_condemn(self.claim, CONFIDENCE, self.errors):
            return False
        return self.bits < bits_needed(self.claim, CONFIDENCE, self.errors)

    @property
    def name(self) -> str:
        """What the reading is called."""
        return f"bit error ratio at {self.speed:g} Bd, at most ({CONFIDENCE:.0%} sure)"

    def bound(self) -> Measured:
        """Return the bit error ratio that is not exceeded (exact binomial bound)."""
        return Measured(ratio_upper(self.bits, min(self.errors, self.bits), CONFIDENCE), "")

    def limits(self) -> Limits:
        """Return the claim as limits; of a port of which nothing is claimed, that no error was seen."""
        return Limits(None, ratio_upper(_UNCLAIMED, 0, CONFIDENCE) if self.claim is None else self.claim)

    def table(self) -> tuple[str, list[str], list[list[float | str]]]:
        """Return the counts as a table of the journal."""
        columns = ["speed, Bd", "exchanges", "bits", "errors", "first error"]
        row: list[float | str] = [self.speed, self.exchanges, self.bits, self.errors, self.first_error]
        return f"frames at {self.speed:g} Bd", columns, [row]
