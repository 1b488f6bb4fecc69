"""The clock error of a port: how far the stand may shift its own speed, up and down, until frames are lost.

A receiver samples each bit in its middle, counted from the edge of the start bit: with clocks that differ by e, the
last of n bits is sampled e (n - 1/2) bit times off, and is lost when that passes half a bit. So frames come through
from 1/(2 n - 1) below the unit's own speed to as much above it, in both directions, and the middle of what comes
through is the unit's speed. Where exactly a receiver gives up cancels out, as long as it does so evenly.
"""

from __future__ import annotations

import math
from functools import partial
from typing import Protocol

from hilseq.analysis.search import Bisection, Edge, locate
from hilseq.analysis.uncertainty import rectangular
from hilseq.errors import StandFault, UnitFault
from hilseq.measured import Measured

#: How finely the edges are searched, as a share of the speed; an adapter that is less exact is not asked for more.
_RESOLUTION = 0.002
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
    known = math.hypot(searched, rectangular(accuracy))
    return Measured(100.0 * 0.5 * (up[0] + down[0]), "%", 100.0 * known)


def _edge(carries: Carries, far: float, accuracy: float) -> Edge:
    """Find one edge in haste; where a patient look at what failed finds that it carries, search again patiently.

    The nearest speed that failed bounds all others that did: a trial that only came too late, because this computer
    was busy, is either that one or lies beyond a true failure. Nothing is held against the unit in haste.
    """
    edge = locate(_search(far, accuracy), partial(carries, patient=False))
    if edge.fails is not None and carries(edge.fails, patient=True):
        return locate(_search(far, accuracy), partial(carries, patient=True))
    return edge


def _far(character_bits: int) -> float:
    return _FAR / (2.0 * character_bits - 1.0)


def _search(far: float, accuracy: float) -> Bisection:
    return Bisection(0.0, far, max(_RESOLUTION, accuracy))


def trials(character_bits: int) -> int:
    """Return how many shifted speeds a search tries at most, both ways."""
    return 2 * (_search(_far(character_bits), 0.0).most_trials + 1)
