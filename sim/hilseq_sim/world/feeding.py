"""How an input capacitor is fed from one event to the next, in closed form.

Nothing here knows of supplies, units or events.
"""

from __future__ import annotations

import math
from typing import Protocol

from hilseq_sim.world.timeline import NEVER

#: Ohm across the capacitor when the load is locked out.
BLEEDER = 4700.0
#: Steps of Newton's rule after which every digit is right, wherever it begins.
_STEPS = 7


def hold_up(capacitance: float, power: float, high: float, low: float) -> float:
    """Time a capacitor (F) carries a load (W) from `high` to `low` V: t = C (V1² - V2²) / (2 P), s."""
    return capacitance * (high * high - low * low) / (2.0 * power)


class Piece(Protocol):
    """How the capacitor is fed from one event to the next; x is the time since, s."""

    def volts(self, x: float) -> float:
        """Voltage of the capacitor, V."""
        ...

    def amperes(self, x: float) -> float:
        """Return the current from the supply, A."""
        ...

    def charge(self, x: float) -> float:
        """Charge from the supply since the piece began, As."""
        ...

    def peak(self, x: float) -> float:
        """Largest current from the supply since the piece began, A."""
        ...


class Blocked:
    """Fed by nothing: the capacitor carries the load, or bleeds with R C when there is none."""

    def __init__(self, volts: float, power: float, capacitance: float) -> None:
        self._start = volts
        self._power = power
        self._capacitance = capacitance
        self._tau = BLEEDER * capacitance

    def volts(self, x: float) -> float:
        """See Piece."""
        if self._power > 0.0:
            square = self._start * self._start - 2.0 * self._power * x / self._capacitance
            return math.sqrt(square) if square > 0.0 else 0.0
        return self._start * math.exp(-x / self._tau)

    def time_to_fall(self, level: float) -> float:
        """Time until the voltage has fallen to `level`, s; infinite when it is below already."""
        if self._start < level:
            return NEVER
        if self._power > 0.0:
            return hold_up(self._capacitance, self._power, self._start, level)
        return self._tau * math.log(self._start / level)

    def amperes(self, _: float) -> float:
        """See Piece."""
        return 0.0

    def charge(self, _: float) -> float:
        """See Piece."""
        return 0.0

    def peak(self, _: float) -> float:
        """See Piece."""
        return 0.0


class _AtLimit:
    """What the supply gives while it limits the current."""

    def __init__(self, current: float) -> None:
        self._current = current

    def amperes(self, _: float) -> float:
        """See Piece."""
        return self._current

    def charge(self, x: float) -> float:
        """See Piece."""
        return self._current * x

    def peak(self, _: float) -> float:
        """See Piece."""
        return self._current


class ConstantCurrent(_AtLimit):
    """Fed with the current limit of the supply: v = v0 + (I - i) t / C."""

    def __init__(self, volts: float, current: float, load: float, capacitance: float) -> None:
        super().__init__(current)
        self._start = volts
        self.slope = (current - load) / capacitance

    def volts(self, x: float) -> float:
        """See Piece."""
        return max(0.0, self._start + self.slope * x)

    def time_to(self, level: float) -> float:
        """Time until `level` is met, s; infinite when it is behind."""
        gap = level - self._start
        return gap / self.slope if gap * self.slope > 0.0 else NEVER


class PowerAtConstantCurrent(_AtLimit):
    """Fed with a constant current I, with a constant-power load P behind: C dv/dt = I - P/v.

    With w = I v/P - 1 the solution is w e^w = w0 e^w0 e^(I² t/(C P)), so v is a value of Lambert's W function
    (Corless et al., "On the Lambert W function", 1996, from memory), and the time to a voltage is plain:
    t = C P/I² (w - w0 + ln(w/w0)). At v = P/I the two balance; above it v rises, below it falls.
    """

    def __init__(self, volts: float, current: float, power: float, capacitance: float) -> None:
        super().__init__(current)
        self._start = volts
        self._balance = power / current
        self._rate = current * current / (capacitance * power)
        self._over = volts / self._balance - 1.0

    def volts(self, x: float) -> float:
        """See Piece."""
        over = self._over
        if over == 0.0:
            return self._start
        reported = over + math.log(abs(over)) + self._rate * x
        if over > 0.0:
            return self._balance * (1.0 + _above(reported))
        return self._balance * (1.0 - _below(reported)) if reported < -1.0 else 0.0

    def time_to(self, level: float) -> float:
        """Time until `level` is met, s; infinite when it is behind."""
        over, then = self._over, level / self._balance - 1.0
        if over * then <= 0.0 or abs(then) <= abs(over) or level < 0.0:
            return NEVER
        return (then - over + math.log(then / over)) / self._rate


def _above(reported: float) -> float:
    """Return the w > 0 of w + ln w = reported: the Wright omega function, by Newton's rule.

    Not from a library: scipy has it, and takes as long to import as all the rest of the simulator.
    """
    w = reported - math.log(reported) if reported > 1.0 else math.exp(reported)
    if w > 0.0:
        for _ in range(_STEPS):
            w *= (1.0 + reported - math.log(w)) / (1.0 + w)
    return w


def _below(reported: float) -> float:
    """Return the m in (0, 1) of ln m - m = reported < -1: Lambert's W of -e^reported, turned round; as above.

    The curve is concave and the first m lies before its root, so that Newton's rule never oversteps it.
    """
    m = math.exp(reported)
    while 0.0 < m < 1.0:
        before, m = m, m * (1.0 + reported - math.log(m)) / (1.0 - m)
        if m <= before:  # no further: rounding
            break
    return min(m, 1.0)


class ConstantVoltage:
    """Fed from e = a + b x + d e^(-x/s) behind R, with a load of i0 + g v: R C dv/dt = e - R i0 - (1 + R g) v.

    v = A + B x + D e^(-x/s) + K e^(-x/tau), tau = R C/(1 + R g). A resistor is g = 1/R_load, the chord of a
    constant-power load between two voltages has i0 = P (1/v0 + 1/v1), g = -P/(v0 v1).
    """

    def __init__(
        self,
        volts: float,
        *,
        source: tuple[float, float, float],
        settling: float,
        load: float,
        slope: float = 0.0,
        resistance: float,
        capacitance: float,
    ) -> None:
        a, b, d = source
        share = 1.0 + resistance * slope
        tau = resistance * capacitance / share
        if abs(settling - tau) < 1e-6 * tau:
            settling *= 1.0 + 1e-5  # equal time constants would divide by zero
        self._source = source
        self._settling = settling
        self.tau = tau
        self._resistance = resistance
        self._slope = b / share
        self._level = (a - resistance * load) / share - self._slope * tau
        self._follow = d / share * settling / (settling - tau) if d else 0.0
        self._own = volts - self._level - self._follow

    @property
    def settles_at(self) -> float:
        """Voltage it settles at when the source does not move."""
        return self._level

    @property
    def moving(self) -> bool:
        """Return whether the source moves."""
        return self._slope != 0.0 or self._follow != 0.0

    def volts(self, x: float) -> float:
        """See Piece."""
        value = self._level + self._slope * x
        if self._follow:
            value += self._follow * math.exp(-x / self._settling)
        if self._own:
            value += self._own * math.exp(-x / self.tau)
        return value

    def amperes(self, x: float) -> float:
        """See Piece."""
        a, b, d = self._source
        source = a + b * x + (d * math.exp(-x / self._settling) if d else 0.0)
        return (source - self.volts(x)) / self._resistance

    def charge(self, x: float) -> float:
        """See Piece."""
        a, b, d = self._source
        total = (a - self._level) * x + 0.5 * (b - self._slope) * x * x
        total += (d - self._follow) * self._settling * -math.expm1(-x / self._settling)
        total += self._own * self.tau * math.expm1(-x / self.tau)
        return total / self._resistance

    def peak(self, x: float) -> float:
        """See Piece. The current has at most one extreme between the ends: no source slews and settles at once."""
        most = max(self.amperes(0.0), self.amperes(x))
        turn = self._turn()
        return max(most, self.amperes(turn)) if 0.0 < turn < x else most

    def _turn(self) -> float:
        """Time at which the current has its extreme, s; 0 when it has none."""
        _, b, d = self._source
        own = -self._own / self.tau
        if d:
            follow, rate = (d - self._follow) / self._settling, 1.0 / self._settling - 1.0 / self.tau
            return math.log(-follow / own) / rate if follow * own < 0.0 and rate else 0.0
        slews = b - self._slope
        return -self.tau * math.log(slews / own) if slews * own > 0.0 else 0.0
