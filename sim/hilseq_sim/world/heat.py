"""Heat: case temperature above ambient, from the unit's own losses and its neighbours'.

A Foster network: each source k warms the case by its own first order node, so that
T = T_ambient + sum of theta_k, with tau_k dtheta_k/dt = R_k P_k - theta_k. The cover hinders the escape of
heat: it multiplies every R. Exact exponentials between changes of power (check values 9.4, 9.5, 9.9).
"""

from __future__ import annotations

from collections.abc import Callable

from hilseq_sim.world.timeline import Approach, Timeline, Timer, first_crossing

#: What a closed cover makes of every thermal resistance.
COVER = 1.2
#: W of one fitted neighbour, K/W from it to the unit's case, and its time constant over the unit's.
NEIGHBOUR_POWER, NEIGHBOUR_RESISTANCE, NEIGHBOUR_SLOWER = 1.2, 0.8, 1.5
#: K within which a temperature counts as the level itself.
_CLOSE = 1e-9


class Watch:
    """Tells when the case passes a level: `hot` is true above it, and until it has gone back to `back`.

    With `back` below the level it is left there, with `back` above the level it is entered there; the other way
    the level itself holds.
    """

    def __init__(
        self, timeline: Timeline, heat: Heat, level: float, back: float, passed: Callable[[bool], None]
    ) -> None:
        self._rises_through, self._falls_through = max(level, back), min(level, back)
        self.hot = heat.case() > level
        self._heat = heat
        self._passed = passed
        self._timer = Timer(timeline, self._pass)

    def follow(self) -> None:
        """Look ahead again after the heat has changed its course."""
        sign = -1.0 if self.hot else 1.0
        course, level = self._heat.course, self._falls_through if self.hot else self._rises_through
        if sign * (course(0.0) - level) > _CLOSE:
            self._timer.start(0.0)
            return
        horizon, finest = self._heat.horizon, 1e-3
        self._timer.start(first_crossing(lambda x: sign * (course(x) - level), horizon, finest))

    def _pass(self) -> None:
        self.hot = not self.hot
        self._passed(self.hot)
        self.follow()


class Heat:
    """The case temperature of one unit, degC."""

    def __init__(
        self,
        timeline: Timeline,
        *,
        ambient: float,
        resistance: float,
        time_constant: float,
        neighbours: int,
        cover_closed: bool,
    ) -> None:
        self._timeline = timeline
        self.ambient = ambient
        self.resistance = resistance
        self.cover_open = 0 if cover_closed else 1
        self._neighbours = neighbours
        self._own = Approach(0.0, time_constant)
        self._others = Approach(0.0, NEIGHBOUR_SLOWER * time_constant)
        self._power = 0.0
        self._case = (-1.0, 0.0)  # as it was last asked for: no change of course makes a step in it
        self._watches: list[Watch] = []
        #: K by which the case sensor of the unit itself is wrong.
        self.sensor_error = 0.0

    @property
    def horizon(self) -> float:
        """Time after which every course has settled, s."""
        return 12.0 * self._others.tau

    def case(self) -> float:
        """Case temperature now, degC."""
        now = self._timeline.now
        when, value = self._case
        if when != now:
            value = self.ambient + self._own.at(now) + self._others.at(now)
            self._case = (now, value)
        return value

    def course(self, x: float) -> float:
        """Case temperature x seconds from now if nothing changes, degC."""
        then = self._timeline.now + x
        return self.ambient + self._own.at(then) + self._others.at(then)

    def reported(self) -> float:
        """Case temperature as the unit's own sensor has it, degC."""
        return self.case() + self.sensor_error

    def set_power(self, power: float) -> None:
        """Follow the power of the unit, W; the neighbours live on the same supply."""
        if power != self._power:
            self._power = power
            self.refresh()

    def refresh(self) -> None:
        """Follow a change of power, of the cover, or a defect."""
        now = self._timeline.now
        cover = 1.0 if self.cover_open else COVER
        self._own.aim(cover * self.resistance * self._power, now)
        others = NEIGHBOUR_POWER * NEIGHBOUR_RESISTANCE * self._neighbours if self._power > 0.0 else 0.0
        self._others.aim(cover * others, now)
        for watch in self._watches:
            watch.follow()

    def watch(self, level: float, passed: Callable[[bool], None], *, back: float | None = None) -> Watch:
        """Have `passed` called with true or false whenever the case rises or falls through a level, degC.

        With `back` one of the two happens there: what changes the heat of the unit would otherwise hold the case
        at the level, coming and going without end.
        """
        watch = Watch(self._timeline, self, level, level if back is None else back, passed)
        self._watches.append(watch)
        watch.follow()
        return watch
