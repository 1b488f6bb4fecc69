"""The communication ports of a unit: pseudo-random frames out and back, until the claim is decided.

How many bits that takes follows from the profile's `bit-error-ratio`; a port far better or far worse than its
claim is soon known. How often all these tests together err is stated, with every look counted (`ratio_plans`).

That frames come back bounds the error of a port's clock by half a bit in a character (1 / (2 n - 1): 4.8 % for 11
bits); where the stand's adapter makes any speed, the error is measured: how far the stand may shift its own speed, up
and down, until frames are lost.

A receiver samples each bit in its middle, counted from the edge of the start bit: with clocks that differ by e, the
last of n bits is sampled e (n - 1/2) bit times off, and is lost when that passes half a bit. So frames come through
from 1/(2 n - 1) below the unit's own speed to as much above it, in both directions, and the middle of what comes
through is the unit's speed. Where exactly a receiver gives up cancels out, as long as it does so evenly.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Protocol

from hilseq.analysis.counted import upper_bound
from hilseq.analysis.limits import Limits
from hilseq.analysis.ratio_plans import RatioPlan, ratio_plan, risk_of_each
from hilseq.analysis.search import Bisection, Edge, locate
from hilseq.analysis.start_plans import Decision
from hilseq.analysis.uncertainty import Term, coverage_factor, rectangular
from hilseq.description.accuracy import PORT_FINENESS
from hilseq.description.drivers import find_driver
from hilseq.description.points import Port
from hilseq.description.registers import FULL_MODBUS, ModbusLimits, Register
from hilseq.description.stand import PortWiring
from hilseq.errors import NotPerformed, StandFault, UnitFault, UnitSilent
from hilseq.instruments.driver_protocols import SerialPartnerDriver
from hilseq.instruments.opening import open_fitting
from hilseq.instruments.protocols import SerialPartner
from hilseq.instruments.transport import let_line_rest, line_has
from hilseq.measured import Measured
from hilseq.statements import compared

#: Confidence with which a claim is proven, or refuted, for all ports and speeds of a unit together.
CONFIDENCE = 0.95
#: Bits of a short look: one period of the 2^9-1 sequence, eight times.
_SOME = 8 * 511
#: So many frames of which nothing comes back, and none before them, are a dead port.
_DEAD_AFTER = 3
#: Looks in which a port must be worse than its claim.
_TWICE = 2
#: Frames as long as a port takes, of which one must come back.
_LONG_FRAMES = 3
#: Bit error ratio that a port must keep of which the profile claims none (common practice, no source).
UNCLAIMED = 1e-3


@dataclass(slots=True)
class Tally:
    """The result of the exchanges at one speed (Bd): bits compared and wrong ones, frames sent and lost ones.

    A frame of which nothing comes back, or another one, has been lost, and nothing is known of its bits. So bit errors
    are counted among the bits that came back, and lost frames among all bits sent: both by `plan`, as many of either
    are allowed.
    """

    speed: float
    plan: RatioPlan
    bits: int = 0
    errors: int = 0
    sent_bits: int = 0
    exchanges: int = 0
    lost_frames: int = 0
    silent: int = 0
    first_error: str = ""

    def add(self, bits: int, errors: int) -> None:
        """Count an exchange that came back, with so many wrong bits."""
        self.exchanges += 1
        self.sent_bits += bits
        self.bits += bits
        self.errors += errors
        if errors and not self.first_error:
            self.first_error = f"{errors} wrong in {bits} bits"

    def lost(self, bits: int, why: str, *, silent: bool) -> None:
        """Count an exchange of so many bits of which nothing, or something else, came back."""
        self.exchanges += 1
        self.sent_bits += bits
        self.lost_frames += 1
        self.silent += silent
        self.first_error = self.first_error or why

    @property
    def dead(self) -> bool:
        """Return whether nothing ever came back."""
        return self.silent == self.exchanges > 0

    @property
    def wants_more(self) -> bool:
        """Return whether more frames are needed: until both ratios are within the claim, or one is given up."""
        found = {self.plan.decide(trials, events) for trials, events in self._counts()}
        return Decision.REJECT not in found and Decision.CONTINUE in found

    @property
    def condemned(self) -> bool:
        """Return whether more than one error proves the port worse than its claim: the stand may lose a frame, too."""
        return any(
            events > 1 and self.plan.bounds(trials, events).lower > self.plan.claim
            for trials, events in self._counts()
        )

    def _counts(self) -> tuple[tuple[int, int], tuple[int, int]]:
        return (self.bits, min(self.errors, self.bits)), (self.sent_bits, self.lost_frames)

    def readings(self) -> Iterator[tuple[str, Measured, Limits]]:
        """Yield what is to be judged: both ratios per bit, each between its bounds, and the claim.

        Such a reading conforms when the upper bound is within the claim, and fails when even the lower one is not.
        """
        limits, sure = Limits(None, self.plan.claim), f"at {self.speed:g} Bd ({CONFIDENCE:.0%} sure)"
        for what, (trials, events) in zip(
            ("bit error ratio", "lost frames per bit"), self._counts(), strict=True
        ):
            if trials:
                bounds = self.plan.bounds(trials, events)
                half = 0.5 * (bounds.upper - bounds.lower)
                counted = Term(
                    "bounds of the count", half / coverage_factor(), source="binomial, of all looks"
                )
                yield f"{what} {sure}", Measured.of(bounds.upper - half, "", counted), limits

    def table(self) -> tuple[str, list[str], list[list[float | str]]]:
        """Return the counts, and how often the plan errs, as a table of the journal."""
        columns = [
            "speed, Bd",
            "exchanges",
            "lost",
            "bits",
            "errors",
            "first error",
            "passes at its claim, %",
            "refused at half of it, %",
            "refused at a tenth, %",
        ]
        plan, percent = self.plan, 100.0
        row: list[float | str] = [
            self.speed,
            self.exchanges,
            self.lost_frames,
            self.bits,
            self.errors,
            self.first_error,
            round(percent * plan.passes(plan.claim), 3),
            *(round(percent * (1.0 - plan.passes(plan.claim * part)), 3) for part in (0.5, 0.1)),
        ]
        return f"frames at {self.speed:g} Bd", columns, [row]


#: Shift at which nothing can come through, in widths 1/(2 n - 1): twice for a unit that is off by as much, and some.
_FAR = 2.2


class Carries(Protocol):
    """Tells whether frames come back whole with the stand's speed shifted by this share of it.

    A `patient` trial waits as long as the profile lets the port take; any other only as long as is usual here.
    """

    def __call__(self, shift: float, *, patient: bool) -> bool:
        """Try one speed."""
        ...


def clock_error(carries: Carries, *, character_bits: int, accuracy: float, place: str) -> Measured:
    """Return the relative error of the port's clock, in %, against the clock of the stand's adapter.

    `character_bits` counts start, data, parity and stop bits; `accuracy` is the adapter's own limit of error, a share
    (rectangular, GUM 4.3.7). Raises UnitFault when not even the unshifted speed carries frames, StandFault when every
    speed does: then the adapter does not follow.
    """
    far = _far(character_bits)
    edges = [_edge(carries, end, accuracy) for end in (far, -far)]
    if any(edge.passes is None for edge in edges):
        raise UnitFault("frames are lost at the port's own speed already", place=place)
    if any(edge.fails is None for edge in edges):
        raise StandFault(
            f"frames come back on {place} at {100 * far:.2g} % off its speed: the stand's adapter does not follow its "
            "setting; take `speed-accuracy` out of the stand file, or use another adapter"
        )
    up, down = ((edge.middle or 0.0, edge.standard_uncertainty or 0.0) for edge in edges)
    searched = 0.5 * math.hypot(up[1], down[1])
    width = Term("width of the search", 100.0 * searched, "rectangular", source="trials")
    adapter = Term("adapter's clock", 100.0 * rectangular(accuracy), "rectangular", source="stand file")
    return Measured.of(100.0 * 0.5 * (up[0] + down[0]), "%", width, adapter)


def _edge(carries: Carries, far: float, accuracy: float) -> Edge:
    """Find one edge in haste; where a patient look at what failed finds that it carries, search again patiently.

    The nearest speed that failed bounds all others that did: a trial that only came too late, because this computer
    was busy, is either that one or lies beyond a true failure. No fast trial alone blames the unit.
    """
    edge = locate(_search(far, accuracy), partial(carries, patient=False))
    if edge.fails is not None and carries(edge.fails, patient=True):
        return locate(_search(far, accuracy), partial(carries, patient=True))
    return edge


def _far(character_bits: int) -> float:
    return _FAR / (2.0 * character_bits - 1.0)


def _search(far: float, accuracy: float) -> Bisection:
    return Bisection(0.0, far, max(PORT_FINENESS, accuracy))


def trials(character_bits: int) -> int:
    """Return how many shifted speeds a search tries at most, both ways."""
    return 2 * (_search(_far(character_bits), 0.0).most_trials + 1)


#: Exchanges that tell whether a shifted speed still carries frames; how many times their usual duration, which is at
#: least so many s, is waited for one of them in haste.
_PROBES = 4
_LEAST_USUAL = 0.01
_HASTE = 3.0


def partner_of(port: Port) -> SerialPartnerDriver:
    """Return the driver of the partner that a port of the profile names."""
    driver: SerialPartnerDriver = find_driver("serial partner", port.partner)
    return driver


def tried_speeds(port: Port) -> Sequence[float]:
    """Return the speeds at which frames are exchanged, Bd: a port of a network has one."""
    return port.speeds[:1] if partner_of(port).network else port.speeds


def plan_of(port: Port, ports: Iterable[Port]) -> RatioPlan:
    """Return how the errors of a port are judged, one among all `ports` of its unit.

    Each speed of each port is judged twice, by its bit errors and by its lost frames: all together pass a ratio at
    its claim with the risk 1 - CONFIDENCE at most.
    """
    tests = 2 * sum(len(tried_speeds(each)) for each in ports)
    claim = UNCLAIMED if port.bit_error_ratio is None else port.bit_error_ratio
    return ratio_plan(claim, risk_of_each(1.0 - CONFIDENCE, tests))


class Ports:
    """The ports of one unit, by name.

    `mode` is the register that a Modbus port is asked for where it does not know the loop-back (function 08).
    """

    def __init__(
        self,
        ports: Mapping[str, Port],
        wiring: Mapping[str, PortWiring],
        *,
        loopback: bool = True,
        mode: Register | None = None,
        quirks: ModbusLimits = FULL_MODBUS,
    ) -> None:
        self.names = tuple(ports)
        self._ports = ports
        self._wiring = wiring
        self._loopback = loopback
        self._mode = mode
        self._manners = quirks
        #: By port: frames that were sent over it in this visit, and of how many nothing, or something else, came back.
        self.sent: Counter[str] = Counter()
        self.lost: Counter[str] = Counter()

    def claim(self, name: str) -> float | None:
        """Bit error ratio that the profile claims of a port, if any."""
        return self._ports[name].bit_error_ratio

    def exchange(self, name: str) -> Iterator[Tally]:
        """Exchange frames at every speed of the port until its claim is decided; one tally per speed.

        Raises StandFault when the stand's side of the port cannot be opened, UnitFault when nothing at all
        comes back.
        """
        for speed in tried_speeds(self._ports[name]):
            yield self._tally(name, speed, lambda tally: tally.wants_more)

    def assert_carries(self, name: str) -> None:
        """Exchange some frames at the port's first speed; no claim is proven by so few.

        Raises UnitFault when nothing comes back, or when what does is worse than the profile claims, twice: one that
        keeps its claim just so is worse once in some hundred looks. Raises StandFault when the stand's side of the port
        cannot be opened.
        """
        compared()
        speed = self._ports[name].speeds[0]
        for _ in range(_TWICE):
            tally = self._tally(name, speed, lambda tally: tally.sent_bits < _SOME and not tally.condemned)
            if not tally.condemned:
                return
        words = (
            f"{tally.errors} wrong bits in {tally.bits}, {tally.lost_frames} of {tally.exchanges} frames lost"
        )
        raise UnitFault(
            f"{name} is worse than claimed: {words} at {speed:g} Bd: {tally.first_error}", place=name
        )

    def carries_one(self, name: str) -> bool:
        """Return whether a short frame comes back over a port at its first speed, whatever of its bits is wrong.

        Raises UnitFault when nothing, or something else, comes back.
        """
        with self.open(name, self._ports[name].speeds[0]) as partner:
            data = partner.short.data
            return len(self._exchange(name, partner, data)) == len(data)

    def _exchange(self, name: str, partner: SerialPartner, data: bytes) -> bytes:
        """Send a frame over a port, count it, and return what comes back. Raises UnitFault where nothing does."""
        self.sent[name] += 1
        self.lost[name] += 1
        back = partner.exchange(data)
        self.lost[name] -= len(back) == len(data)
        return back

    def proven(self, name: str) -> str:
        """Return in a sentence how many frames of the visit were lost over a port, and what that shows."""
        sent, lost = self.sent[name], self.lost[name]
        most = upper_bound(lost, sent, CONFIDENCE)
        sure = f"at {100 * CONFIDENCE:g} % confidence fewer than one in {int(1 / most)} is"
        return f"{name}: {sent} frames in the whole visit, {lost or 'none'} lost: {sure}"

    def assert_long_frames(self, name: str) -> str:
        """Send frames as long as the profile says, or the partner's protocol allows; return the result in words.

        At every speed, and only their length is compared: their bits are counted with all others. Raises UnitFault when
        none comes back whole; what only the protocol allows is no fault, and said.
        """
        compared()
        port, length, speeds = self._ports[name], 0, tried_speeds(self._ports[name])
        for speed in speeds:
            length, reported = self._long_frame(name, speed)
            if reported and port.longest_frame is None:
                return f"{name}: long frames are not shown; with {length} characters, which nobody claims, {reported}"
            if reported:
                raise UnitFault(
                    f"none of {_LONG_FRAMES} frames of {length} characters came back whole at {speed:g} Bd: {reported}",
                    place=name,
                )
        if not length:
            return ""
        at = ", ".join(f"{speed:g}" for speed in speeds)
        return f"{name}: a frame of {length} characters came back whole at {at} Bd{self._framed(name)}"

    def _long_frame(self, name: str, speed: float) -> tuple[int, str]:
        """Return how long a frame was tried at a speed, and what came back instead of it; empty where it came back."""
        claimed = self._ports[name].longest_frame
        with self.open(name, speed) as partner:
            length = claimed or partner.longest
            data = b"".join(frame.data for frame in islice(partner.frames(), length))[:length]
            reported = ""
            for _ in range(_LONG_FRAMES if claimed else bool(length)):
                try:
                    back = self._exchange(name, partner, data) if claimed else partner.exchange(data)
                except UnitFault as fault:
                    reported = str(fault)
                else:
                    if len(back) == len(data):
                        return length, ""
                    reported = f"{len(back)} characters came back"
        return length, reported

    def _framed(self, name: str) -> str:
        """Return in words whether the line has the frame of the profile, parity and all; empty for a network."""
        port = self._ports[name]
        if partner_of(port).network:
            return ""
        has = line_has(self._wiring[name].resource, port.frame)
        if has is None:
            return f"; that the line is {port.frame}, the device server has to see to"
        return f", {port.frame}" if has else f"; {port.frame} is not shown: a pseudo-terminal has no parity"

    def _tally(self, name: str, speed: float, wants_more: Callable[[Tally], bool]) -> Tally:
        tally = Tally(speed, plan_of(self._ports[name], self._ports.values()))
        with self.open(name, speed) as partner:
            for frame in partner.frames():
                if not wants_more(tally) or (tally.dead and tally.silent >= _DEAD_AFTER):
                    break
                try:
                    tally.add(frame.bits, _wrong(frame.data, self._exchange(name, partner, frame.data)))
                except UnitFault as fault:
                    tally.lost(frame.bits, str(fault), silent=isinstance(fault, UnitSilent))
        if tally.dead:
            raise UnitFault(
                f"nothing comes back from {name} at {speed:g} Bd: {tally.first_error}", place=name
            )
        return tally

    def clock_error(self, name: str) -> Measured:
        """Measure the error of a port's clock at its highest speed, in % (`ports_clock.clock_error`).

        Raises NotPerformed when the stand's adapter makes only some speeds.
        """
        port, accuracy = self._ports[name], self._wiring[name].speed_accuracy
        if accuracy is None:
            raise NotPerformed(f"the adapter of {name} has no `speed-accuracy` in the stand file")
        speed = max(port.speeds)
        usual = max(self._time_of(name, port, speed), _LEAST_USUAL)
        hasty = port.model_copy(update={"deadline": min(port.deadline, _HASTE * usual)})

        def carries(shift: float, *, patient: bool) -> bool:
            try:
                with self._opened(name, port if patient else hasty, speed * (1.0 + shift)) as partner:
                    probes = islice(partner.frames(), _PROBES)
                    return all(partner.exchange(frame.data) == frame.data for frame in probes)
            except UnitFault:
                if port.partner != "echo":
                    let_line_rest()
                return False

        return clock_error(carries, character_bits=port.character_bits, accuracy=accuracy, place=name)

    def _time_of(self, name: str, port: Port, speed: float) -> float:
        """Return how long an exchange takes at most, s: beyond some of that, an answer does not come."""
        longest = 0.0
        with self._opened(name, port, speed) as partner:
            for frame in islice(partner.frames(), _PROBES):
                begun = time.monotonic()
                partner.exchange(frame.data)
                longest = max(longest, time.monotonic() - begun)
        return longest

    def open(self, name: str, speed: float, *, place: str | None = None) -> SerialPartner:
        """Return the stand's side of a port, to speak with its partner at `speed` (Bd); nothing is sent yet.

        `place` goes into faults of the unit; without it the check's own place does.
        """
        return self._opened(name, self._ports[name], speed, place=place)

    def _opened(self, name: str, port: Port, speed: float, *, place: str | None = None) -> SerialPartner:
        def opened(driver: SerialPartnerDriver) -> SerialPartner:
            return driver.open(
                name,
                port,
                self._wiring[name].resource,
                speed=speed,
                loopback=self._loopback,
                mode=self._mode,
                quirks=self._manners,
                place=place,
            )

        return open_fitting("serial partner", port.partner, name, SerialPartner, opened)


def _wrong(sent: bytes, back: bytes) -> int:
    """Return how many bits came wrong; a character lost, or one too many, counts as one, whichever it was."""
    if len(sent) != len(back):
        return abs(len(sent) - len(back))
    return (int.from_bytes(sent, "big") ^ int.from_bytes(back, "big")).bit_count()
