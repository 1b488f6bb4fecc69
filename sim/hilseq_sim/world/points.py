"""Digital points: inputs with thresholds and filters, outputs as switches into a load board.

Inputs after IEC 61131-2. Type 1: state 0 up to 5 V, state 1 from 15 V; types 2 and 3: state 0 up to 5 V, state 1 from
11 V, at 24 V rated (check values 3.4 to 3.6). The threshold of a good input lies between, wherever the part has it.

The load board puts the rated current on every output that is on; where the profile rates none, the stand's
sensing input is the only load. Its field supply follows the unit's own input and does not load the stand's
supply: what an active output draws there is the twin's `power-per-output`. Everything at the terminals is
proportional to the field voltage v, so a terminal is one factor: V = f v.

- on: f = R_load / (R_load + R_on); off: f = i_leak R_load / v_rated;
- joined terminals share one node: f = sum of (G_source f_source) over the sum of all conductances, which
  for switches makes a wired-or.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping

from hilseq_sim.world.timeline import NEVER, Timeline, Timer

#: Rated voltage of the standard's table, V.
RATED = 24.0
#: By type: largest voltage of state 0 and smallest of state 1, V.
BANDS: Mapping[int, tuple[float, float]] = {1: (5.0, 15.0), 2: (5.0, 11.0), 3: (5.0, 11.0)}
#: A in state 1: what an input draws through the wire and the relay that drive it.
INPUT_CURRENT = 2.5e-3


class Input:
    """One input. The counters and shifts are defects; 0 in a good unit."""

    def __init__(self, name: str, *, threshold: float, hysteresis: float) -> None:
        self.name = name
        self.threshold = threshold
        self.hysteresis = hysteresis
        self.volts = 0.0
        self.state = False
        self.due = NEVER
        self.stuck_on = 0
        self.stuck_off = 0
        self.extra_delay = 0.0


class InputBank:
    """All inputs of one unit."""

    def __init__(self, timeline: Timeline, inputs: Iterable[Input], *, filter_time: float) -> None:
        self._timeline = timeline
        self.inputs = {point.name: point for point in inputs}
        self._filter_time = filter_time
        #: Pairs (a, b) where b also sees the voltage at a.
        self.sees: Counter[tuple[str, str]] = Counter()
        self._timer = Timer(timeline, self._switch)

    def drive(self, name: str, volts: float) -> None:
        """Put a voltage on a terminal; the state follows after the filter time."""
        self.inputs[name].volts = volts
        self.refresh()

    def state(self, name: str) -> bool:
        """Tell what the unit reports for an input."""
        return self.inputs[name].state

    def reporter(self, name: str) -> Callable[[], float]:
        """Return a quick reader of one input's state, as 0 or 1."""
        point = self.inputs[name]
        return lambda: 1.0 if point.state else 0.0

    def refresh(self) -> None:
        """Follow a defect or a new voltage."""
        now = self._timeline.now
        for point in self.inputs.values():
            if self._wanted(point) == point.state:
                point.due = NEVER
            elif point.due == NEVER:
                point.due = now + self._filter_time + point.extra_delay
        self._plan()

    def _wanted(self, point: Input) -> bool:
        if point.stuck_on:
            return True
        if point.stuck_off:
            return False
        volts = point.volts
        for (seen, by), count in self.sees.items():
            if count > 0 and by == point.name:
                volts = max(volts, self.inputs[seen].volts)
        edge = 0.5 * point.hysteresis
        return volts > (point.threshold - edge if point.state else point.threshold + edge)

    def _switch(self) -> None:
        now = self._timeline.now
        for point in self.inputs.values():
            if point.due <= now:
                point.state = not point.state
                point.due = NEVER
        self._plan()

    def _plan(self) -> None:
        self._timer.start_at(min((point.due for point in self.inputs.values()), default=NEVER))


#: Ohm of the stand's sensing input, where no load is rated.
SENSE_RESISTANCE = 10e3
#: Times rated current above which an output protects itself, and how long it endures that, s.
PROTECTION = 3.0
ENDURES = 0.1


class Output:
    """One output switch. The counters and factors are defects; as given here in a good unit."""

    def __init__(
        self, name: str, *, resistance: float, leakage: float, load: float, rated: float | None
    ) -> None:
        self.name = name
        self.resistance = resistance
        self.leakage = leakage
        self.load = load
        self.rated = rated
        self.commanded = False
        self.on = False
        self.tripped = False
        self.due = NEVER
        self.endures_until = NEVER
        self.stuck_on = 0
        self.stuck_off = 0
        self.extra_delay = 0.0


class OutputBank:
    """All outputs of one unit.

    `enabled` tells whether the unit drives its outputs; `changed` is called when any of them has switched;
    `overloaded` with the name of an output that protected itself.
    """

    def __init__(
        self, timeline: Timeline, outputs: Iterable[Output], *, rated_voltage: float, delay: float
    ) -> None:
        self._timeline = timeline
        self.outputs = {output.name: output for output in outputs}
        self._rated_voltage = rated_voltage
        self._delay = delay
        self.enabled: Callable[[], bool] = lambda: False
        self.changed: Callable[[], None] = lambda: None
        self.overloaded: Callable[[str], None] = lambda _: None
        #: Defects: tells whether the outputs are frozen as they are; how many force all on; s for which they linger on
        #: when nothing drives them any more; how many let commands outlive the supply.
        self.frozen: Callable[[], bool] = lambda: False
        self.forced = 0
        self.lingers = 0.0
        self.remembers = 0
        self.field: Callable[[], float] = lambda: 0.0
        #: Pairs of terminals joined by a defect; pairs (a, b) where b switches on with a.
        self.joined: Counter[tuple[str, str]] = Counter()
        self.follows: Counter[tuple[str, str]] = Counter()
        #: By terminal: V at the terminal per V of the field supply, and V as `look` has seen it last.
        self.factors = dict.fromkeys(self.outputs, 0.0)
        self.seen = dict.fromkeys(self.outputs, 0.0)
        self._timer = Timer(timeline, self._switch)
        self._solve()

    @property
    def active(self) -> int:
        """Number of outputs that are on."""
        return sum(output.on for output in self.outputs.values())

    def command(self, name: str, on: bool) -> None:
        """Command an output over the link; it follows after its delay."""
        output = self.outputs[name]
        if output.commanded != on:
            output.commanded = on
            if not on:
                output.tripped = False
            self._aim([output, *self._followers(name)])

    def reset(self) -> None:
        """Forget every command and switch off at once: no power, or a new start."""
        for output in self.outputs.values():
            output.commanded = output.commanded and self.remembers > 0
            output.tripped = False
            output.due = output.endures_until = NEVER
            output.on = bool(output.stuck_on)
        self._settle()

    def refresh(self) -> None:
        """Follow a defect, or a change of what is enabled."""
        self._aim(self.outputs.values())
        self._settle()

    def look(self) -> None:
        """Look at the voltages of all terminals at once: every one of them is read in every sample of a soak."""
        field, seen = self.field(), self.seen
        for name, factor in self.factors.items():
            seen[name] = factor * field

    def _wanted(self, output: Output, enabled: bool) -> bool:
        on = enabled and not output.tripped
        on = on and (output.commanded or self._pulled(output.name))
        return bool(output.stuck_on) or ((on or self.forced > 0) and not output.stuck_off)

    def _pulled(self, name: str) -> bool:
        return any(
            count > 0 and follower == name and self.outputs[leader].commanded
            for (leader, follower), count in self.follows.items()
        )

    def _followers(self, leader: str) -> list[Output]:
        return [
            self.outputs[follower]
            for (leads, follower), count in self.follows.items()
            if count > 0 and leads == leader
        ]

    def _aim(self, outputs: Iterable[Output]) -> None:
        """Let outputs whose wanted state may have changed switch after their delay."""
        if self.frozen():
            return
        now, enabled = self._timeline.now, self.enabled()
        delay = self._delay + (0.0 if enabled else self.lingers)
        for output in outputs:
            if self._wanted(output, enabled) == output.on:
                output.due = NEVER
            elif output.due == NEVER:
                output.due = now + delay + output.extra_delay
        self._plan()

    def _plan(self) -> None:
        waiting = self.outputs.values()
        self._timer.start_at(min((min(o.due, o.endures_until) for o in waiting), default=NEVER))

    def _switch(self) -> None:
        now = self._timeline.now
        for output in self.outputs.values():
            if output.due <= now:
                output.on = not output.on
                output.due = NEVER
            if output.endures_until <= now:
                output.tripped, output.on = True, bool(output.stuck_on)
                output.endures_until = NEVER
                self.overloaded(output.name)
        self._settle()
        self._plan()

    def _settle(self) -> None:
        self._solve()
        field = self.field()
        for output in self.outputs.values():
            if output.on and output.rated is not None:
                current = field * (1.0 - self.factors[output.name]) / output.resistance
                over = current > PROTECTION * output.rated
            else:
                over = False
            if not over:
                output.endures_until = NEVER
            elif output.endures_until == NEVER and not output.tripped:
                output.endures_until = self._timeline.now + ENDURES
        self._plan()
        self.changed()

    # -- the network -------------------------------------------------------------------------------

    def _solve(self) -> None:
        joined = [pair for pair, count in self.joined.items() if count > 0]
        for node in self._nodes(joined):
            into = total = 0.0
            for output in node:
                total += 1.0 / output.load
                if output.on:
                    into += 1.0 / output.resistance
                    total += 1.0 / output.resistance
                else:
                    into += output.leakage / self._rated_voltage
            for output in node:
                self.factors[output.name] = min(1.0, into / total)

    def _nodes(self, joined: list[tuple[str, str]]) -> list[list[Output]]:
        if not joined:
            return [[output] for output in self.outputs.values()]
        node = {name: {name} for name in self.outputs}
        for one, other in joined:
            together = node[one] | node[other]
            for name in together:
                node[name] = together
        distinct = {id(names): names for names in node.values()}
        return [[self.outputs[name] for name in sorted(names)] for names in distinct.values()]
