"""The unit's power input: a diode, a resistance and a capacitor, with the unit's load behind them.

Three ways to be fed, each a closed form from the last event on:

- blocked (supply off, or below the capacitor: the diode holds): C v dv/dt = -P, so
  v² = v0² - 2 P t / C, and the hold-up time from V1 to V2 is t = C (V1² - V2²) / (2 P) (check values 9.1,
  9.2);
- constant current I: C dv/dt = I - i, the linear charge of a discharged capacitor;
- constant voltage e(t) behind R: R C dv/dt = e(t) - R i - v, the RC charge.

i = P/v is the current of the constant-power load. With a supply present it is taken as constant at the
voltage where it will settle, v = (e + sqrt(e² - 4 R P)) / 2, or refreshed whenever v has moved by 5 %: both
are exact when settled, and the error on the way is below 5 % of the load's current.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

from hilseq_sim.world.curves import exponential_crossing, first_crossing
from hilseq_sim.world.supply import OUTPUT_IMPEDANCE, SupplyModel
from hilseq_sim.world.timeline import NEVER, Timeline, Timer

#: Ohm across the capacitor when the load is locked out.
BLEEDER = 4700.0
#: Relative movement after which the current of the load is worked out again.
_STEP = 0.05
#: A in reverse at which the diode blocks; what is smaller is rounding.
_NO_CURRENT = 1e-6
#: V below which a load counts as drawing what it draws there.
_LEAST = 1.0


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


class ConstantCurrent:
    """Fed with the current limit of the supply: v = v0 + (I - i) t / C."""

    def __init__(self, volts: float, current: float, load: float, capacitance: float) -> None:
        self._start = volts
        self._current = current
        self.slope = (current - load) / capacitance

    def volts(self, x: float) -> float:
        """See Piece."""
        return max(0.0, self._start + self.slope * x)

    def time_to(self, level: float) -> float:
        """Time until `level` is met, s; infinite when it is behind."""
        gap = level - self._start
        return gap / self.slope if gap * self.slope > 0.0 else NEVER

    def amperes(self, _: float) -> float:
        """See Piece."""
        return self._current

    def charge(self, x: float) -> float:
        """See Piece."""
        return self._current * x

    def peak(self, _: float) -> float:
        """See Piece."""
        return self._current


class ConstantVoltage:
    """Fed from e = a + b x + d e^(-x/s) behind R: v = A + B x + D e^(-x/s) + K e^(-x/tau), tau = R C."""

    def __init__(
        self,
        volts: float,
        *,
        source: tuple[float, float, float],
        settling: float,
        load: float,
        resistance: float,
        capacitance: float,
    ) -> None:
        a, b, d = source
        tau = resistance * capacitance
        if abs(settling - tau) < 1e-6 * tau:
            settling *= 1.0 + 1e-5  # equal time constants would divide by zero
        self._source = source
        self._settling = settling
        self.tau = tau
        self._resistance = resistance
        self._level = a - resistance * load - b * tau
        self._slope = b
        self._follow = d * settling / (settling - tau) if d else 0.0
        self._own = volts - self._level - self._follow

    @property
    def settles_at(self) -> float:
        """Voltage it settles at when the source does not move."""
        return self._level

    @property
    def moving(self) -> bool:
        """Tell whether the source moves."""
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
        a, _, d = self._source
        total = (a - self._level) * x
        total += (d - self._follow) * self._settling * -math.expm1(-x / self._settling)
        total += self._own * self.tau * math.expm1(-x / self.tau)
        return total / self._resistance

    def peak(self, x: float) -> float:
        """See Piece. Two exponentials have at most one extreme between the ends."""
        most = max(self.amperes(0.0), self.amperes(x))
        first = (self._source[2] - self._follow) / self._settling
        second = -self._own / self.tau
        if first * second < 0.0:
            rate = 1.0 / self._settling - 1.0 / self.tau
            turn = math.log(-first / second) / rate if rate else 0.0
            if 0.0 < turn < x:
                most = max(most, self.amperes(turn))
        return most


def _longest_fall(piece: Blocked, level: float) -> float:
    """Time after which the capacitor has surely fallen below a source that stands at `level`, s."""
    return 1.001 * piece.time_to_fall(level) + 1e-6 if level > 0.0 else 0.0


class PowerInput:
    """The input of one unit on one supply.

    `start_above` and `stop_below` (V) are the under-voltage lockout; `power_good` and `power_lost` are called
    when the capacitor crosses them, `switched_on` when the supply is switched on; `load` returns the power
    drawn now, W.
    """

    def __init__(
        self,
        timeline: Timeline,
        supply: SupplyModel,
        *,
        capacitance: float,
        resistance: float,
        start_above: float,
        stop_below: float,
    ) -> None:
        self._timeline = timeline
        self._supply = supply
        self.capacitance = capacitance
        self.resistance = resistance
        self.start_above = start_above
        self.stop_below = stop_below
        self.powered = False
        self.load: Callable[[], float] = lambda: 0.0
        self.switched_on: Callable[[], None] = lambda: None
        self.power_good: Callable[[], None] = lambda: None
        self.power_lost: Callable[[], None] = lambda: None
        self._used_capacitance = capacitance
        self._used_resistance = resistance
        self._piece: Piece = Blocked(0.0, 0.0, capacitance)
        self._since = timeline.now
        self._limited = False
        self._timer = Timer(timeline, self._happen)
        self._next: Callable[[], None] = self.update
        self._volts = self._amperes = (-1.0, 0.0)  # as they were last asked for: instant and value
        self._peak = 0.0
        self._charge = 0.0
        supply.feeds.append(self)

    # -- reading -----------------------------------------------------------------------------------

    def volts(self) -> float:
        """Voltage of the unit's input capacitor now, V."""
        now = self._timeline.now
        when, value = self._volts
        if when != now:
            value = self._piece.volts(now - self._since)
            self._volts = (now, value)
        return value

    def amperes(self) -> float:
        """Return the current from the supply now, A."""
        now = self._timeline.now
        when, value = self._amperes
        if when != now:
            value = max(0.0, self._piece.amperes(now - self._since))
            self._amperes = (now, value)
        return value

    def limited(self) -> bool:
        """Tell whether the supply limits the current."""
        return self._limited

    def terminal(self) -> float:
        """Voltage that this load leaves at the supply's terminals, V."""
        if self._limited:
            return self.volts() + self._used_resistance * self.amperes()
        return self._supply.source.volts() - OUTPUT_IMPEDANCE * self.amperes()

    def restart_record(self) -> None:
        """Begin a new record of the inrush."""
        self.update()
        self._peak = self._charge = 0.0

    def supplied(self) -> None:
        """Take note that the supply was switched on."""
        self.switched_on()

    def record(self) -> tuple[float, float]:
        """Peak current, A, and charge, As, since the record began."""
        x = self._timeline.now - self._since
        return max(self._peak, self._piece.peak(x)), self._charge + self._piece.charge(x)

    # -- from event to event -----------------------------------------------------------------------

    def update(self) -> None:
        """Work out the feeding anew after the supply, the load or a part has changed."""
        self._follow(None)

    def _happen(self) -> None:
        self._next()

    def _follow(self, limited: bool | None) -> None:
        """Begin a new piece.

        `limited` says on which side of the current limit an event has led; then the voltages, equal to the
        last bit, are not asked again.
        """
        now = self._timeline.now
        supply, source = self._supply, self._supply.source
        x = now - self._since
        volts = self._piece.volts(x)
        if x > 0.0:
            self._peak = max(self._peak, self._piece.peak(x))
            self._charge += self._piece.charge(x)
        self._since = now
        self._volts = self._amperes = (-1.0, 0.0)
        self._used_capacitance, self._used_resistance = self.capacitance, self.resistance
        power = self.load() if self.powered else 0.0
        share = supply.share()
        headroom = source.volts() - volts
        was_limited = self._limited
        if not supply.connected or (limited is None and headroom < 0.0):
            self._limited = False
            self._begin_blocked(volts, power)
        elif limited or (limited is None and headroom > share * self.resistance):
            self._limited = True
            self._begin_limited(volts, power, share)
        else:
            self._limited = False
            self._begin_regulated(volts, power, share)
        if self.powered and volts < self.stop_below * (1.0 - 1e-9):
            self._plan([(0.0, self._lose)])
        elif not self.powered and volts > self.start_above * (1.0 + 1e-9):
            self._plan([(0.0, self._gain)])
        if was_limited != self._limited:
            supply.follow_current()

    def _plan(self, events: list[tuple[float, Callable[[], None]]]) -> None:
        delay, self._next = min(events, key=lambda event: event[0])
        self._timer.start(delay)

    def _begin_blocked(self, volts: float, power: float) -> None:
        piece = Blocked(volts, power, self.capacitance)
        self._piece = piece
        events: list[tuple[float, Callable[[], None]]] = [(NEVER, self.update)]
        if self.powered:
            events.append((piece.time_to_fall(self.stop_below), self._lose))
            if power > 0.0:  # an empty capacitor carries nothing; look again before it is
                events.append((piece.time_to_fall(0.0), self.update))
        if self._supply.connected:
            a, b, d, lasts = self._supply.source.piece()
            settling = self._supply.source.tau

            def above(x: float) -> float:
                return a + b * x + (d * math.exp(-x / settling) if d else 0.0) - piece.volts(x)

            if lasts < NEVER:
                events.append((lasts, self.update))
            horizon = lasts if lasts < NEVER else _longest_fall(piece, a)
            events.append((first_crossing(above, horizon, 1e-5), self._leave_limit))
        self._plan(events)

    def _begin_limited(self, volts: float, power: float, share: float) -> None:
        load = power / max(volts, _LEAST) if power else volts / BLEEDER
        piece = ConstantCurrent(volts, share, load, self.capacitance)
        self._piece = piece
        step = max(_STEP * volts, 0.2)
        events: list[tuple[float, Callable[[], None]]] = [(NEVER, self.update)]
        if piece.slope:
            events.append((step / abs(piece.slope), self._stay_limited))
        events.append(self._lockout(piece.time_to))
        a, b, d, lasts = self._supply.source.piece()
        settling, drop = self._supply.source.tau, share * self.resistance

        def regulated(x: float) -> float:
            return piece.volts(x) + drop - a - b * x - (d * math.exp(-x / settling) if d else 0.0)

        if lasts < NEVER:
            events.append((lasts, self._stay_limited))
            events.append((first_crossing(regulated, min(lasts, events[1][0]), 1e-6), self._leave_limit))
        else:
            events.append((piece.time_to(a - drop), self._leave_limit))
        self._plan(events)

    def _begin_regulated(self, volts: float, power: float, share: float) -> None:
        source = self._supply.source
        a, b, d, lasts = source.piece()
        load = self._settled_load(source.target, power)
        piece = ConstantVoltage(
            volts,
            source=(a, b, d),
            settling=source.tau,
            load=load,
            resistance=self.resistance,
            capacitance=self.capacitance,
        )
        self._piece = piece
        events: list[tuple[float, Callable[[], None]]] = [(NEVER, self.update)]
        if lasts < NEVER:
            events.append((lasts, self.update))
        if not piece.moving:
            end = piece.settles_at
            events.append(self._lockout(lambda level: exponential_crossing(volts, end, piece.tau, level)))
            # the current starts below the limit and above zero and settles at the load: it may meet the limit
            events.append(
                (exponential_crossing(volts, end, piece.tau, a - share * self.resistance), self._stay_limited)
                if load > share
                else (NEVER, self.update)
            )
        else:
            horizon = min(lasts, 60.0)
            finest = min(1e-5, horizon)
            sign = -1.0 if self.powered else 1.0
            level = self.stop_below if self.powered else self.start_above
            crossing = first_crossing(lambda x: sign * (piece.volts(x) - level), horizon, finest)
            events.append((crossing, self._lose if self.powered else self._gain))
            limit = share * (1.0 + 1e-9)
            events.append(
                (first_crossing(lambda x: piece.amperes(x) - limit, horizon, finest), self._stay_limited)
            )
            events.append(
                (first_crossing(lambda x: -_NO_CURRENT - piece.amperes(x), horizon, finest), self.update)
            )
        self._plan(events)

    def _settled_load(self, source: float, power: float) -> float:
        """Return the current of the load where it will settle behind R; the roots of v² - e v + R P = 0."""
        if power <= 0.0:
            return source / BLEEDER
        square = source * source - 4.0 * self.resistance * power
        volts = 0.5 * (source + math.sqrt(square)) if square > 0.0 else 0.5 * source
        return power / max(volts, 0.8 * self.stop_below, _LEAST)

    def _lockout(self, time_to: Callable[[float], float]) -> tuple[float, Callable[[], None]]:
        if self.powered:
            return time_to(self.stop_below), self._lose
        return time_to(self.start_above), self._gain

    # -- events ------------------------------------------------------------------------------------

    def _stay_limited(self) -> None:
        self._follow(limited=True)

    def _leave_limit(self) -> None:
        self._follow(limited=False)

    def _gain(self) -> None:
        self.powered = True
        self.power_good()
        self.update()

    def _lose(self) -> None:
        self.powered = False
        self.power_lost()
        self.update()
