"""The feeder: what lies between a supply's meter and the unit, and whether a finding of current or voltage is its.

Three things there look like a fault of the unit: a meter that reads wrong, a leakage across the feeder, a resistance
along it. The meter is compared with the supply's own current limit. A leakage draws its current at a voltage at which
no unit is on; a resistance shows in how far the voltage at the terminals falls when more current flows. Whether the
fault is in the feeder or in the power input of the unit, no reading of this stand can tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from hilseq.analysis.agreement import Equation, Explanation
from hilseq.analysis.calibration_line import fit_line
from hilseq.analysis.limits import Limits
from hilseq.analysis.uncertainty import expanded, rectangular
from hilseq.clock import Clock
from hilseq.description.profile import Mode
from hilseq.errors import NotPerformed, StandFault, UnitFault, UnitOrHarness
from hilseq.measured import Measured, repeat
from hilseq.procedures import margins
from hilseq.procedures.unit import Unit
from hilseq.procedures.weighing import above_zero, decide_side, scaled
from hilseq.statements import compared

#: The limit of a supply is put so far below and above what it says the unit draws, as a share.
_MARGIN = 0.05
#: At this share of what is read a limit acts for certain, if it acts at all.
_HALF = 0.5
#: Looks at a supply whose limit is being tried, and readings of which a mean is made.
_LOOKS, _READINGS = 10, 3
#: Further readings of a current that must be steady while a limit is tried, and the time between two, s.
_STEADY, _BETWEEN = 12, 0.1
#: At this share of its rated supply no unit is on; what it may draw there, as a share of its lowest idle current
#: (common practice, no source).
_BEFORE_START, _QUIESCENT = 0.15, 0.02
#: Below this share of the voltage at which it comes on a unit is surely off.
_SURELY_OFF = 0.9
#: Below this share of its lowest idle current a unit draws nothing: what fed it is open.
_NOTHING = 0.05
#: Least change of current, as a share of what is drawn, that shows a resistance; the loss along a good feeder and
#: power input, as a share of the rated supply, at most (common practice, no source).
_CHANGE, _LOSS = 0.1, 0.02


class FeederCheck:
    """The feeder of one unit. It moves the unit, and leaves it ready; idle again is for the caller."""

    def __init__(self, unit: Unit, clock: Clock) -> None:
        self._unit = unit
        self._clock = clock
        self._supply = f"supply {unit.supply.instrument.name}"

    def current(self, seen: float, limits: Limits) -> list[str]:
        """Weigh a current, A, that lies outside its limits. Raises StandFault, UnitOrHarness."""
        said = self.meter()
        said += self._leakage(seen, limits)
        return said

    def voltage(self) -> list[str]:
        """Look for a resistance on the way to the unit; return what was found. Raises UnitOrHarness."""
        found = self.resistance()
        if found is None:
            return []
        unit = self._unit
        drawn = unit.limits.any_current.high
        loss, rated = found.value * drawn, unit.profile.ratings.supply
        words = f"{found.value:.2g} Ω lie between {self._supply} and the outputs of the unit"
        if loss - found.expanded_uncertainty * drawn > _LOSS * rated:
            raise UnitOrHarness(
                f"{words}: the feeder, its plug, or the power input of the unit", places=("supply",)
            )
        return [words]

    def any_current(self) -> list[str]:
        """Weigh what a unit draws that does not do what it must: nothing at all, or more than any.

        Raises UnitOrHarness.
        """
        unit = self._unit
        unit.return_to_idle()
        try:
            is_idle = unit.modes.reported() is Mode.STOPPED
        except UnitFault:
            is_idle = False
        claimed = unit.limits.any_current
        limits = unit.limits.idle_current if is_idle else Limits(claimed.low, claimed.high)
        seen = repeat(unit.supply.current, _READINGS)
        if limits.high is not None and seen.value - seen.expanded_uncertainty > limits.high:
            return self._leakage(seen.value, limits)
        least = _NOTHING * unit.profile.start.idle_current.low
        if seen.value - seen.expanded_uncertainty > least:
            return []
        raise UnitOrHarness(
            f"{self._supply} is on and gives {1e3 * seen.value:.3g} mA: the feeder, its plug or fuse is open, or the "
            "power input of the unit",
            places=("supply",),
        )

    # -- across and along it ---------------------------------------------------------------------------

    def _leakage(self, seen: float, limits: Limits) -> list[str]:
        unit = self._unit
        rated = unit.profile.ratings.supply
        level = _BEFORE_START * rated
        low = self._before_start(level)
        lowest, highest = limits.low or 0.0, limits.high if limits.high is not None else seen
        # What lies beyond the limit is the least that a fault has to explain.
        excess = seen - highest if seen > highest else min(seen - lowest, 0.0)
        if low.value - low.expanded_uncertainty > highest:
            raise UnitOrHarness(
                f"{self._supply} gives {low.value:.3g} A at {level:.2g} V already, where no unit is on: a short across "
                "the feeder, or in the power input of the unit",
                places=("supply",),
            )
        quiescent = rectangular(_QUIESCENT * unit.profile.start.idle_current.low)
        equations = [
            Equation("drawn", excess, above_zero(low), {}),
            Equation("before it starts", low.value, above_zero(low) + quiescent, {}),
        ]
        most = unit.profile.ratings.current_limit
        leaks = {"drawn": rated, "before it starts": level}
        explanations = [
            Explanation(
                ("supply",), False, "the unit draws another current", scaled({"drawn": 1.0}), -most, most
            ),
            Explanation(
                ("supply",), False, "a leakage in the power input of the unit", scaled(leaks), 0.0, most
            ),
            Explanation((self._supply,), True, "a leakage across the feeder", scaled(leaks), 0.0, most),
            Explanation(
                (self._supply,),
                True,
                f"the offset of the meter of {self._supply}",
                scaled(dict.fromkeys(leaks, 1.0)),
                -most,
                most,
            ),
        ]
        return decide_side(f"the current of {self._supply}", equations, explanations, beyond=True)

    def _before_start(self, volts: float) -> Measured:
        """Return what flows at a voltage at which no unit is on, A. The unit starts anew afterwards."""
        supply = self._unit.supply
        supply.power_off()
        try:
            supply.on(volts)
            return repeat(supply.current, _READINGS)
        finally:
            supply.power_off()
            with suppress(UnitFault, NotPerformed):
                self._unit.make_ready()

    def resistance(self) -> Measured | None:
        """Return what lies between the supply's meter and the outputs of a unit, Ohm: by what more current takes away.

        None where the stand does not measure the outputs' voltage, or the current does not change enough with them.
        """
        unit = self._unit
        outputs = unit.outputs
        if not outputs.measured or Mode.LIVE not in unit.profile.mode_list():
            return None
        unit.modes.ensure(Mode.LIVE)
        name = outputs.measured[0]
        try:
            light, heavy = (self._lost(name, on) for on in ((name,), outputs.names))
        finally:
            outputs.command()
        more = heavy[1] - light[1]
        if more.value < max(_CHANGE * light[1].value, 2.0 * more.expanded_uncertainty):
            return None
        lost = heavy[0] - light[0]
        # Of the meters only what changes between the two counts: their scatter, and their gain over the difference.
        known = abs(lost.value) * more.standard_uncertainty / more.value + self._scatter(name)
        return Measured(lost.value / more.value, "Ohm", known / more.value)

    def _scatter(self, name: str) -> float:
        """Return the standard uncertainty of the change of a terminal's voltage between two means, V."""
        looks = [self._unit.outputs.volts()[name].value for _ in range(_READINGS)]
        return max(max(looks) - min(looks), 1e-4)

    def _lost(self, name: str, on: Sequence[str]) -> tuple[Measured, Measured]:
        """Return what one output lies below the supply's meter, V, with these on, and the current, A."""
        unit = self._unit
        unit.outputs.drive(*on)
        volts = repeat(lambda: unit.supply.voltage() - unit.outputs.volts()[name], _READINGS)
        return volts, repeat(unit.supply.current, _READINGS)

    # -- the meter -------------------------------------------------------------------------------------

    def meter(self) -> list[str]:
        """Ask the supply's current limit whether the unit draws what the supply's meter says. Raises StandFault.

        The limit is put just above what is read, where it must not act, then just below, where it must: the unit may
        start anew by that. What it stores then was provoked. A limit that does not act at half of it is no witness. The
        limit and the meter of a supply share a shunt.
        """
        unit = self._unit
        unit.return_to_idle()
        ratings, supply = unit.profile.ratings, unit.supply
        looks = [supply.current()]
        for _ in range(_STEADY):
            self._clock.sleep(_BETWEEN)
            looks.append(supply.current())
        seen = looks[0]
        room = _MARGIN * abs(seen.value) + seen.expanded_uncertainty
        highest = max(looks, key=lambda look: look.value)
        if highest.value - min(look.value for look in looks) > room:
            return [
                f"what the unit draws is not steady (up to {highest.value:.4g} A): the limit says nothing of the meter"
            ]
        above, below = seen.value + room, seen.value - room
        if below <= room or above >= ratings.current_limit:
            return []
        before = margins.stored(unit)
        words = f"{self._supply} reads {seen.value:.4g} A"
        try:
            if self._is_limited(above):
                raise StandFault(
                    f"{words}, and limits the current when its limit is {above:.4g} A: it reads too little",
                    place=self._supply,
                )
            if not self._is_limited(below):
                if not self._is_limited(_HALF * seen.value):
                    return [f"{words}; its current limit does not act, and says nothing of that"]
                raise StandFault(
                    f"{words}, and does not limit it when its limit is {below:.4g} A: it reads too much",
                    place=self._supply,
                )
        finally:
            supply.instrument.set(supply.level, ratings.current_limit)
            with suppress(UnitFault, NotPerformed):
                unit.accept_starts()
                unit.restart()
                margins.provoked(unit, before)
        return [f"{words}, and its current limit says so, too"]

    def _is_limited(self, amperes: float) -> bool:
        """Put the limit to so many A; tell whether the voltage falls while it is watched."""
        supply = self._unit.supply
        supply.instrument.set(supply.level, amperes)
        error = supply.voltage_error()
        for _ in range(_LOOKS):
            self._clock.sleep(max(supply.settle, 0.1))
            if supply.voltage().value < supply.level - 4.0 * error:
                return True
        return False


#: What a unit draws in proportion to its supply before it starts, at rated supply and as a share of its lowest idle
#: current, at most (common practice, no source); readings of a ramp that tell it, at least.
_BLEEDS, _RISING = 0.15, 8


def fail_on_resistance(unit: Unit, clock: Clock) -> str:
    """Return in words what lies between the supply's meter and the outputs of a ready unit; empty where not known.

    Raises UnitOrHarness where it takes more than a little of the unit's supply.
    """
    compared()
    return "; ".join(FeederCheck(unit, clock).voltage())


def fail_on_leakage(unit: Unit, ramp: margins.Ramp) -> str:
    """Return in words what a ramp shows about a leakage across the feeder, empty where it has too few readings.

    On its way up to where the unit starts nothing draws in proportion to the voltage but a leakage; what charges the
    unit's capacitors is the same at every voltage. Raises UnitOrHarness.
    """
    lowest = min(range(len(ramp.rows)), key=lambda row: ramp.rows[row][1])
    rising = [(volts, amps) for _, volts, amps in ramp.rows[lowest + 1 :]]
    before = [(volts, amps) for volts, amps in rising if volts < _SURELY_OFF * ramp.pick_up.value]
    if len(before) < _RISING:
        return ""
    compared()
    fitted = fit_line([volts for volts, _ in before], [amps for _, amps in before])
    rated = unit.profile.ratings.supply
    leaks, known = fitted.gain * rated, expanded(fitted.gain_uncertainty) * rated
    words = f"a leakage of {1e3 * leaks:.2g} mA at {rated:g} V"
    if leaks - known > _BLEEDS * unit.profile.start.idle_current.low:
        raise UnitOrHarness(
            f"Before the unit starts, {words} ({rated / leaks:.2g} Ω) shows: across the "
            "feeder, or in the power input of the unit",
            places=("supply",),
        )
    return f"{words} at most" if leaks > known else f"no leakage above {1e3 * known:.2g} mA at {rated:g} V"
