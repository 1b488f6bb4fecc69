"""How old the reads of an I/O simulator may be, measured through its loop-backs.

A drive is toggled at instants that are spread over any scan, and its sense is looked at until it follows. The longest
time from the command to the first look that shows it bounds the age of a read; the travel of the relay is in it, so
that the bound errs on the late side. Where the exchanges themselves take long, the sense may have followed before
anybody could look: what they hide of an age is counted, up to what such devices need.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from hilseq.clock import Clock
from hilseq.description.stand import Loopback, Stand
from hilseq.instruments.signals import SignalBank
from hilseq.procedures.wiring import served_by

#: Toggles: the longest wait of so many, spread evenly, lies within a sixteenth of the longest there is.
_TOGGLES, _MARGIN = 16, 1.1
#: Toggles where exchanges hide more than an age may be: only a longer one can be seen, and shows in one of these.
_HIDDEN_TOGGLES = 6
#: Golden ratio: its multiples spread evenly over any period (Weyl; The Art of Computer Programming, vol. 3, 6.4).
_GOLDEN = 0.6180339887498949
#: s between two looks, longest scan that is looked for, longest wait for a path that never follows.
_LOOK, _LONGEST, _PATIENCE = 0.001, 0.1, 2.0
#: s: no bench has to wait longer than that for every look; one that is slower is not fit.
MOST_LATE = 0.25
#: s: taken where the stand file says nothing and no loop-back tells; what controllers and their I/O need (common
#: practice, no source).
ASSUMED = 0.05


@dataclass(frozen=True, slots=True)
class ReadAge:
    """How old reads of an I/O simulator were seen to be at most, s, and what the stand file says about it.

    `hidden` is how old they may be without having been seen to be, for its exchanges take that long.
    """

    io: str
    seconds: float
    stated: float | None
    hidden: float = 0.0

    @property
    def awaited(self) -> float:
        """How old a read is taken to be where something is judged by it, s."""
        return max(self.seconds, self.hidden if self.stated is None else self.stated)

    @property
    def allowed(self) -> float:
        """Largest age with which the stand is fit, s."""
        return MOST_LATE if self.stated is None else max(self.stated * _MARGIN, self.stated + 2 * _LOOK)

    @property
    def right(self) -> bool:
        """Return whether the stand can be judged with."""
        return self.seconds <= self.allowed

    @property
    def words(self) -> str:
        """Return it as a sentence."""
        late = f"late reads ({1e3 * self.seconds:.0f} ms)"
        if self.right and self.awaited > self.seconds:
            return f"{late}, or up to {1e3 * self.awaited:.0f} ms that its answers hide, waited for at every look"
        if self.right:
            return f"{late}, waited for at every look"
        expected = "at most" if self.stated is None else "by the stand file"
        most = 1e3 * (self.stated or MOST_LATE)
        return f"{late}; expected {most:.0f} ms {expected}: look at its scan time and what else reads it"


def measure_read_age(
    io: str, stand: Stand, slots: Collection[str], signals: SignalBank, clock: Clock
) -> ReadAge | None:
    """Return how old the reads of an I/O simulator are; None without a logic loop-back, or with one that is broken.

    Only paths that are spare or serve one of `slots` are used. What is too late must be so again: one exchange that
    is held up, by the network or by this computer, is no scan time.

    The drive is back at its safe value afterwards. Raises StandFault when the I/O simulator does not do its part.
    """
    loop = _loop(io, stand, slots, own_first=signals.has_neighbours)
    if loop is None:
        return None
    with signals.alone_with((loop.drive,)):
        age = _measured(io, loop, stand, signals, clock)
        if age is None or age.right:
            return age
        again = _measured(io, loop, stand, signals, clock)
        return again if again is None or again.seconds < age.seconds else age


def _measured(io: str, loop: Loopback, stand: Stand, signals: SignalBank, clock: Clock) -> ReadAge | None:
    rest = stand.signals[loop.drive].safe_value
    latest = hidden = 0.0
    try:
        for number in range(_TOGGLES):
            # long enough that no earlier toggle is taken for this one
            clock.sleep(max(_LONGEST, 1.5 * latest) * (1.0 + number * _GOLDEN % 1.0))
            late = _follows(loop, rest if number % 2 else 1.0 - rest, signals, clock)
            if late is None:
                return None
            latest, hidden = max(latest, late[0]), max(hidden, late[1])
            if number + 1 == _HIDDEN_TOGGLES and latest < _LOOK and hidden > MOST_LATE:
                break
    finally:
        signals.write(loop.drive, rest)
    return ReadAge(io, latest * _MARGIN, stand.io[io].scan_time, min(hidden, ASSUMED))


def _loop(io: str, stand: Stand, slots: Collection[str], *, own_first: bool) -> Loopback | None:
    """Return a logic path of an I/O simulator: one that reaches no unit before others, or after those of the slots."""
    found = [
        loop
        for loop in stand.loopbacks.values()
        if stand.signals[loop.sense].io == io
        and stand.signals[loop.drive].is_bit
        and stand.signals[loop.sense].is_bit
        and not served_by(stand, loop.drive).isdisjoint(slots)
    ]
    return min(found, key=lambda loop: (stand.signals[loop.drive].drives is None) is own_first, default=None)


def _follows(loop: Loopback, value: float, signals: SignalBank, clock: Clock) -> tuple[float, float] | None:
    """Write a value; return the time from then until a look begins that shows it, s, and the longest it can have been.

    None when it never does. Longest: from before the command until that look was answered.
    """
    sending = clock.now()
    signals.write_many({loop.drive: value}, settle=False)
    begun = clock.now()
    while clock.now() - begun <= _PATIENCE:
        asked = clock.now()
        if signals.snapshot((loop.sense,))[loop.sense] == value:
            return asked - begun, clock.now() - sending
        clock.sleep(_LOOK)
    return None
