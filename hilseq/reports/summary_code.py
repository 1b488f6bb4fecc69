"""The signed summary of a unit: one line of text, which the 2-D code of its certificate carries with its signature.

Whoever has the stand's public key can check a certificate by its code alone, without the journal. The code is about
300 characters (QR code version 13, 69 modules, level M: 0.4 mm a module at 30 mm).
"""

from __future__ import annotations

from dataclasses import dataclass

from hilseq.errors import UsageError
from hilseq.journal.run_state import RunState, UnitState
from hilseq.journal.signatures import SignedSummary
from hilseq.signing import is_signed

_HEADER = "HILSEQ2"
_SEPARATOR = "|"
#: Longest part, serial number and name of a stand in it; the journal's chain stands for all of each.
_LONGEST = 40
#: Longest text that is looked at as a code.
_LARGEST = 4000


@dataclass(frozen=True, slots=True)
class CodeContent:
    """What a code says, and whether the key in it has signed that."""

    part: str
    serial: str
    verdict: str
    date: str
    stand: str
    simulated: bool
    plan: str
    soak: str
    chain: str
    key: str
    holds: bool

    def __str__(self) -> str:
        """Return it in words."""
        where = f"stand {self.stand}" + (
            ", which was simulated: no real unit was tested" if self.simulated else ""
        )
        soak = f", soak {self.soak}" if self.soak else ""
        plan = f"approved plan {self.plan}" if self.plan else "not the approved plan"
        return f"{self.part} {self.serial}: {self.verdict.upper()} on {self.date}, {where}; {plan}{soak}"


def summary_text(run: RunState, unit: UnitState) -> str:
    """Return the summary of a unit that is signed."""
    plan = "" if unit.plan is None or unit.plan.differences else unit.plan.identity[:16]
    soak = "" if unit.soak is None or unit.soak.ended is None else f"{unit.soak.ended.since / 3600.0:.4g} h"
    values = [
        *(unit.part, unit.serial, str(run.final(unit)), run.ended[:10], run.stand),
        *("simulated" if run.simulated else "", plan, soak, run.chain),
    ]
    return _SEPARATOR.join([_HEADER, *map(_plain, values[:-1]), values[-1]])


def _plain(text: str) -> str:
    """Return text without the separator, in characters that every reader of codes gives back."""
    kept = text.replace(_SEPARATOR, "/").encode("ascii", "replace").decode("ascii")
    return "".join(letter if letter.isprintable() else "?" for letter in kept)[:_LONGEST]


def code_text(run: RunState, unit: UnitState, signed: SignedSummary | None) -> str:
    """Return what the 2-D code of a certificate holds: the signed summary, or the bare chain where it is not signed."""
    if signed is not None and signed.text == summary_text(run, unit):
        return _SEPARATOR.join([signed.text, signed.key, signed.signature])
    return f"HILSEQ {unit.serial[:100]} {run.chain}".encode("ascii", "replace").decode()


def read_code(text: str) -> CodeContent:
    """Return what a code says. Raises UsageError when it is none of a certificate, or is not signed."""
    text = text.strip()
    if text.startswith("HILSEQ "):
        raise UsageError(
            "this code is not signed; verify the certificate with its journal: hilseq verify FILE RUN"
        )
    fields = text[:_LARGEST].split(_SEPARATOR)
    if len(fields) != 12 or fields[0] != _HEADER:  # noqa: PLR2004 - header, nine values, key, signature
        raise UsageError(
            "this is no code of a certificate; expected the text that a reader of 2-D codes shows"
        )
    _, part, serial, verdict, date, stand, simulated, plan, soak, chain, key, signature = fields
    signed = _SEPARATOR.join(fields[:-2])
    holds = is_signed(signed.encode("utf-8", "surrogatepass"), signature, key)
    return CodeContent(part, serial, verdict, date, stand, bool(simulated), plan, soak, chain, key, holds)
