"""Keeping the unit's ports busy during a soak, one frame at a time, and counting what comes back wrong.

All ports carry their frames at once, and while the sample is taken: what a port does to the rest of the unit
belongs into the sample, and the soak does not wait for slow lines.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass

from hilseq.analysis.counted import lower_bound
from hilseq.clock import Clock
from hilseq.description.points import Port
from hilseq.description.registers import FULL_MODBUS, ModbusLimits
from hilseq.description.stand import PortWiring
from hilseq.errors import StandFault, UnitFault, UnitInvalidResponse
from hilseq.instruments.protocols import SHORT_FRAME, SerialPartner
from hilseq.journal.run_state import SoakFinding
from hilseq.journal.soak_entries import PortTally
from hilseq.procedures.polling import IN_VAIN
from hilseq.procedures.ports import CONFIDENCE, Ports

#: A port that answers so many frames in a row with nothing is silent: no bit error ratio explains that.
SILENT_AFTER = 3
#: Most rounds for which a silent port is skipped before it is tried again.
LONGEST_REST = 64
#: Fewer errors in days condemn no port, whatever its claim: the stand may lose a frame, too.
FEWEST_ERRORS = 3


@dataclass(frozen=True, slots=True)
class Worse:
    """A port that is worse than its claim, `since` s since the soak began, at a case of so many degC, if known."""

    finding: SoakFinding
    since: float
    case: float | None


@dataclass(slots=True)
class Carried:
    """What one port has carried: frames sent, come back wrong, not come back; bits compared, wrong bits.

    A frame that did not come back is a lost frame, whatever became of its bits: bit errors are counted among the bits
    that came back, lost frames among all bits sent. `beyond` is since when either proves more than the profile claims,
    s since the soak began, and `beyond_case` the case temperature then, degC; None while they do not, or where no
    temperature is known.
    """

    frames: int = 0
    wrong_frames: int = 0
    lost_frames: int = 0
    bits: int = 0
    wrong_bits: int = 0
    silent_in_a_row: int = 0
    beyond: float | None = None
    beyond_case: float | None = None

    @property
    def all_bits(self) -> int:
        """Bits compared, and those of the frames that did not come back."""
        return self.bits + self.lost_frames * 8 * len(SHORT_FRAME)

    def look(self, claim: float | None, since: float, case: float | None) -> None:
        """Note since when the errors prove, by exact bounds, a port worse than its claim, or that they no longer do."""
        if claim is None or not self.worse(claim):
            self.beyond = self.beyond_case = None
        elif self.beyond is None:
            self.beyond, self.beyond_case = since, case

    def worse(self, claim: float) -> list[str]:
        """Return in words what proves the port worse than its claim: wrong bits, lost frames, or both."""
        counted = (
            (self.wrong_bits, self.bits, f"wrong bits in {self.bits}"),
            (self.lost_frames, self.all_bits, f"lost of {self.frames} frames"),
        )
        return [
            f"{events} {what} by the end of the soak, a ratio of {events / bits:.2g} per bit where the profile claims "
            f"{claim:g}"
            for events, bits, what in counted
            if events >= FEWEST_ERRORS and lower_bound(min(events, bits), bits, CONFIDENCE) > claim
        ]


def wrong_bits(sent: bytes, back: bytes) -> int:
    """Return the number of bits that differ; frames of another length cannot be compared bit by bit."""
    return (int.from_bytes(sent, "big") ^ int.from_bytes(back, "big")).bit_count()


class Traffic:
    """Frames over some ports of one unit."""

    def __init__(
        self,
        names: Iterable[str],
        ports: Mapping[str, Port],
        wiring: Mapping[str, PortWiring],
        clock: Clock,
        quirks: ModbusLimits = FULL_MODBUS,
    ) -> None:
        self._clock = clock
        self._ports = {name: ports[name] for name in names}
        self._all = Ports(ports, wiring, quirks=quirks)
        self._partners: dict[str, SerialPartner] = {}
        #: Ports with a frame under way, or why it could not be sent.
        self._sent: dict[str, UnitFault | None] = {}
        #: Rounds for which a silent port is still skipped: each frame to it costs its deadline.
        self._rests: Counter[str] = Counter()
        self.carried = {name: Carried() for name in self._ports}

    def send(self) -> None:
        """Send one frame over every port; what comes back waits for `gather`.

        Raises StandFault when the stand's side of a port cannot be used.
        """
        for name in self._ports:
            if self._rests[name]:
                self._rests[name] -= 1
                continue
            try:
                self._send(name)
            except UnitFault as refusal:
                self._sent[name] = refusal
            else:
                self._sent[name] = None

    def gather(self, since: float, case: float | None = None) -> list[SoakFinding]:
        """Take what came back of the frames sent; return the ports that have fallen silent just now.

        It is taken at `since`, s since the soak began, at a case temperature of `case` degC where it is known.
        Raises StandFault when the stand's side of a port cannot be used.
        """
        found = []
        for name in self._sent:
            silence = self._take(name)
            carried, claim = self.carried[name], self._ports[name].bit_error_ratio
            if carried.silent_in_a_row == SILENT_AFTER:
                what = (
                    "port sends invalid data" if isinstance(silence, UnitInvalidResponse) else "port silent"
                )
                found.append(SoakFinding(what, name, f"{SILENT_AFTER} frames in a row: {silence}"))
            carried.look(claim, since, case)
        self._sent.clear()
        return found

    def _take(self, name: str) -> UnitFault | None:
        """Count what came back of one frame; return why nothing did. Raises StandFault as `gather` does."""
        carried, refusal = self.carried[name], self._sent[name]
        carried.frames += 1
        begun = time.monotonic()
        try:
            if refusal is not None:
                raise refusal
            sent, back = self._received(name)
        except UnitFault as silence:
            carried.lost_frames += 1
            carried.silent_in_a_row += 1
            deadline = self._ports[name].deadline
            if time.monotonic() - begun > IN_VAIN * deadline:
                self._clock.account_wait(deadline)
            if carried.silent_in_a_row >= SILENT_AFTER:
                self._rests[name] = min(1 << (carried.silent_in_a_row - SILENT_AFTER), LONGEST_REST)
            return silence
        carried.silent_in_a_row = 0
        if len(back) == len(sent):
            carried.bits += 8 * len(sent)
            carried.wrong_bits += wrong_bits(sent, back)
        carried.wrong_frames += back != sent
        return None

    def tallies(self) -> dict[str, PortTally]:
        """Return what every port has carried."""
        return {name: PortTally(**asdict(carried)) for name, carried in self.carried.items()}

    def worse_than_claimed(self) -> list[Worse]:
        """Return the ports whose bit errors prove, over the whole soak, that they are worse than the profile claims.

        Decided once, over all that was carried: to condemn a port after whichever frame looks worst would condemn
        good ones. Each is dated since when its errors have not been within the claim any more.
        """
        found = []
        for name, carried in self.carried.items():
            if carried.silent_in_a_row >= SILENT_AFTER or carried.beyond is None:
                continue  # that it fell silent has been reported
            claim = self._ports[name].bit_error_ratio
            words = "; ".join(carried.worse(claim)) if claim is not None else ""
            found.append(Worse(SoakFinding("bit errors", name, words), carried.beyond, carried.beyond_case))
        return sorted(found, key=lambda worse: worse.since)

    def continue_from(self, tallies: Mapping[str, PortTally]) -> None:
        """Take over what was carried before an interruption."""
        for name, tally in tallies.items():
            if name in self.carried:
                self.carried[name] = Carried(**tally.model_dump())

    def close(self) -> None:
        """Close every port; the next frame opens it again. Frames under way are forgotten, not counted."""
        self._sent.clear()
        for partner in self._partners.values():
            with suppress(StandFault, OSError):
                partner.close()
        self._partners.clear()

    def _send(self, name: str) -> None:
        partner = self._partners.get(name) or self._open(name)
        partner.ask(partner.short.data)

    def _received(self, name: str) -> tuple[bytes, bytes]:
        partner = self._partners[name]
        return partner.short.data, partner.answer()

    def _open(self, name: str) -> SerialPartner:
        partner = self._all.open(name, self._ports[name].speeds[0], place=name)
        self._partners[name] = partner
        return partner
