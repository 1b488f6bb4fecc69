"""The unit's power input: a diode, a resistance and a capacitor, with the unit's load behind them.

Three ways to be fed, each a closed form from the last event on (`feeding`):

- blocked (supply off, or below the capacitor: the diode holds): C v dv/dt = -P, so
  v² = v0² - 2 P t / C, and the hold-up time from V1 to V2 is t = C (V1² - V2²) / (2 P) (check values 9.1,
  9.2);
- constant current I: C dv/dt = I - i, the linear charge of a discharged capacitor;
- constant voltage e(t) behind R: R C dv/dt = e(t) - R i - v, the RC charge.

i = P/v is the current of the constant-power load. The first two carry it exactly. Behind a constant voltage it is
taken along the chord from the voltage now, v0, to the one where it will settle, v1 = (e + sqrt(e² - 4 R P)) / 2:
exact at both ends, and between them too large by at most sqrt(v1/v0) + sqrt(v0/v1) - 2 of itself, 2 % from 18 to
24 V. Where it cannot settle it is P over the middle of each 5 % that the voltage falls.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from hilseq_sim.world.feeding import (
    BLEEDER,
    Blocked,
    ConstantCurrent,
    ConstantVoltage,
    Piece,
    PowerAtConstantCurrent,
)
from hilseq_sim.world.supply import OUTPUT_IMPEDANCE, SupplyModel
from hilseq_sim.world.timeline import NEVER, Timeline, Timer, exponential_crossing, first_crossing

#: Relative movement after which a current is worked out again that no closed form has.
_STEP = 0.05
#: Least share of the supply's voltage that a load leaves to itself where its chord is of use.
_STABLE = 0.1
#: A in reverse at which the diode blocks; what is smaller is rounding.
_NO_CURRENT = 1e-6
#: Share of a load that a limit may carry and still be too little for its closed form, which loses its digits there.
_FAR_BELOW = 0.01
#: Share of the lockout above which a voltage in front of the diode is a supply that is too low, and not none.
_THERE = 0.5
#: V below which a load counts as drawing what it draws there.
_LEAST = 1.0
#: s that a moving piece is looked ahead.
_AHEAD = 60.0


def _longest_fall(piece: Blocked, level: float) -> float:
    """Time after which the capacitor has surely fallen below a source that stands at `level`, s."""
    return 1.001 * piece.time_to_fall(level) + 1e-6 if level > 0.0 else 0.0


class PowerInput:
    """The input of one unit on one supply.

    `resistance` (Ohm) is that of the whole loop with a good supply, its output impedance included. `start_above` and
    `stop_below` (V) are the under-voltage lockout; `power_good` and `power_lost` are called
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
        #: Ohm of the whole loop as it is now, and of what lies beyond the supply's terminals.
        self._loop = self._beyond = resistance
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
        """Return whether the supply limits the current."""
        return self._limited

    def strained(self) -> bool:
        """Return whether a supply is there to stay and yet too low: what a unit sees in front of its diode.

        A supply that is off leaves nothing there; after an interruption that was a moment too long it is coming
        back, and a program that looks twice sees that.
        """
        supply, source = self._supply, self._supply.source
        if not supply.connected or (not self._limited and source.target > source.volts()):
            return False
        return supply.true_voltage() > _THERE * self.stop_below

    def terminal(self) -> float:
        """Voltage at the supply's terminals when the current is limited: that beyond its impedance, V."""
        return self.volts() + self._beyond * self.amperes()

    def terminal_in(self, x: float) -> float:
        """Terminal voltage x seconds from now if nothing happens before `next_event`, V."""
        x += self._timeline.now - self._since
        return self._piece.volts(x) + self._beyond * max(0.0, self._piece.amperes(x))

    def amperes_in(self, x: float) -> float:
        """Return the current x seconds from now if nothing happens before `next_event`, A."""
        return max(0.0, self._piece.amperes(x + self._timeline.now - self._since))

    def next_event(self) -> float:
        """Time until something happens, s; infinite when nothing will."""
        return self._timer.when - self._timeline.now

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
        power = self.load() if self.powered else 0.0
        share = supply.share()
        self._beyond = max(0.0, self.resistance - OUTPUT_IMPEDANCE)
        self._loop = self._beyond + supply.impedance
        headroom = source.volts() - volts
        was_limited = self._limited
        if not supply.connected or (limited is None and headroom < 0.0):
            self._limited = False
            self._begin_blocked(volts, power)
        elif limited or (limited is None and headroom > share * self._loop):
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
        supply.watch_voltage()

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
        events: list[tuple[float, Callable[[], None]]] = [(NEVER, self.update)]
        piece: ConstantCurrent | PowerAtConstantCurrent
        if power > 0.0 and share * volts > _FAR_BELOW * power:
            piece = PowerAtConstantCurrent(volts, share, power, self.capacitance)
        else:
            load = power / max(volts * (1.0 - 0.5 * _STEP), _LEAST) if power else volts / BLEEDER
            piece = ConstantCurrent(volts, share, load, self.capacitance)
            if piece.slope:
                events.append((max(_STEP * volts, 0.2) / abs(piece.slope), self._stay_limited))
        self._piece = piece
        events.append(self._lockout(piece.time_to))
        a, b, d, lasts = self._supply.source.piece()
        settling, drop = self._supply.source.tau, share * self._loop

        def regulated(x: float) -> float:
            return piece.volts(x) + drop - a - b * x - (d * math.exp(-x / settling) if d else 0.0)

        if lasts < NEVER:
            events.append((lasts, self._stay_limited))
            horizon = min(lasts, *(delay for delay, _ in events))
            events.append((first_crossing(regulated, horizon, 1e-6), self._leave_limit))
        else:
            events.append((piece.time_to(a - drop), self._leave_limit))
        self._plan(events)

    def _begin_regulated(self, volts: float, power: float, share: float) -> None:
        source = self._supply.source
        a, b, d, lasts = source.piece()
        load, slope, settles = self._load_line(volts, source.target, power)
        piece = ConstantVoltage(
            volts,
            source=(a, b, d),
            settling=source.tau,
            load=load,
            slope=slope,
            resistance=self._loop,
            capacitance=self.capacitance,
        )
        self._piece = piece
        events: list[tuple[float, Callable[[], None]]] = [(NEVER, self.update)]
        if lasts < NEVER:
            events.append((lasts, self.update))
        if not piece.moving:
            end = piece.settles_at

            def time_to(level: float) -> float:
                return exponential_crossing(volts, end, piece.tau, level)

            events.append(self._lockout(time_to))
            if not settles:
                events.append((time_to(volts * (1.0 - _STEP)), self.update))
            # the current starts below the limit and above zero and settles at the load: it may meet the limit
            if (a - end) / self._loop > share:
                events.append((time_to(a - share * self._loop), self._stay_limited))
        else:
            horizon = min(lasts, _AHEAD)
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
            if not settles:
                moved = _STEP * volts
                events.append(
                    (
                        first_crossing(lambda x: abs(piece.volts(x) - volts) - moved, horizon, finest),
                        self.update,
                    )
                )
        self._plan(events)

    def _load_line(self, volts: float, source: float, power: float) -> tuple[float, float, bool]:
        """Return the load as i = i0 + g v, and whether it settles on it: at a root of v² - e v + R P = 0."""
        if power <= 0.0:
            return 0.0, 1.0 / BLEEDER, True
        square = source * source - 4.0 * self._loop * power
        settled = 0.5 * (source + math.sqrt(square)) if square > 0.0 else 0.0
        if settled > 0.0 and 1.0 - self._loop * power / (volts * settled) >= _STABLE:
            return power / volts + power / settled, -power / (volts * settled), True
        return power / max(volts * (1.0 - 0.5 * _STEP), _LEAST), 0.0, False

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
