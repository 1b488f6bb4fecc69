"""What no sample of a soak shows, looked at once a minute without disturbing it: inputs, analog channels, quiet ports.

Inputs are driven by halves in turn, analog channels stand at one point after another of their range. What was driven at
one look is compared at the next, so that nothing is waited for.
"""

from __future__ import annotations

from contextlib import suppress

from hilseq.analysis.uncertainty import expanded
from hilseq.description.plans import Soak
from hilseq.description.profile import Mode
from hilseq.errors import UnitFault
from hilseq.journal.run_state import SoakFinding
from hilseq.procedures.soak.traffic import Traffic
from hilseq.procedures.unit import Unit

#: Where in its range a channel stands, by turns.
_POINTS = (0.5, 0.05, 0.95, 0.3, 0.7)


class Looks:
    """The looks of one soak. `quiet` carries frames over the ports that the plan leaves alone."""

    def __init__(self, unit: Unit, plan: Soak, quiet: Traffic) -> None:
        self._unit = unit
        self._quiet = quiet
        self._live = plan.mode == str(Mode.LIVE)
        self._turn = 0
        #: What is driven since the last look; None after a start.
        self._driven: frozenset[str] | None = None
        self._reported: set[str] = set()

    def begin_anew(self) -> None:
        """Take note that the unit has started, or may have: nothing of what was driven before counts."""
        self._driven = None

    def take(self, since: float, case: float | None) -> list[SoakFinding]:
        """Compare what was driven with what the unit says, then drive the next; return what is wrong, once a soak.

        `since` in s of the soak, `case` in degC. A unit that does not answer is for the samples to tell. Raises
        StandFault when the stand does not do its part.
        """
        self._quiet.send()
        found = []
        with suppress(UnitFault):
            if self._driven is not None:
                found = self._compare(self._driven)
            self._drive()
        return [*found, *self._quiet.gather(since, case)]

    def _compare(self, driven: frozenset[str]) -> list[SoakFinding]:
        unit = self._unit
        wrong: dict[str, str] = {}
        if unit.inputs.names:
            reported = unit.inputs.reported()
            for name in unit.inputs.names:
                if reported[name] is not (name in driven):
                    is_driven, says = ("on" if on else "off" for on in (name in driven, reported[name]))
                    wrong[name] = f"{name} is driven {is_driven} and the unit reports it {says}"
        for name, look in unit.analog.look().items():
            allowed = unit.analog.channels[name].point.largest_error(look.expected)
            if abs(look.error) > allowed + expanded(look.uncertainty):
                wrong[name] = (
                    f"{name} says {look.found:.5g} where {look.expected:.5g} is right to {allowed:.3g}"
                )
        new = [
            SoakFinding("point wrong", name, words)
            for name, words in wrong.items()
            if name not in self._reported
        ]
        self._reported.update(wrong)
        return new

    def _drive(self) -> None:
        unit, self._turn = self._unit, self._turn + 1
        self._driven = None  # until all of it is done
        on = unit.inputs.names[self._turn % 2 :: 2]
        if unit.inputs.names:
            unit.inputs.command(*on)
        fraction = _POINTS[self._turn % len(_POINTS)]
        unit.analog.set(
            {
                name: channel.point.scale.at(fraction)
                for name, channel in unit.analog.channels.items()
                if self._live or not channel.is_output
            }
        )
        self._driven = frozenset(on)

    def close(self) -> None:
        """Release what was driven, as far as the unit lets it."""
        self._driven = None
        self._quiet.close()
        with suppress(UnitFault):
            self._unit.analog.release()
