"""When a defect is there: after a time, above or below a temperature, by chance at a power-up, for a while.

Every condition is an event of the timeline in closed form: a timer, or the case passing a level; a defect that
came at a temperature goes 1 K later, for a contact that opens in the warmth does not close at the same degree. A
chance is drawn once per power-up from the seed of the world: when the supply is switched on, for it may be the
defect that keeps the unit from starting; or else when the unit has its power back. `for` bounds each stay; with
a chance it begins anew at each power-up, otherwise whenever the other conditions come true again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hilseq_sim.defects.change import Change, Spot
from hilseq_sim.defects.spec import Defect
from hilseq_sim.world.timeline import Timer

if TYPE_CHECKING:
    from hilseq_sim.world.build import World


#: K that the case goes back before a defect that came at a temperature goes again.
HYSTERESIS = 1.0


class ActiveDefect:
    """One defect in a world, coming and going as its conditions say."""

    def __init__(self, world: World, defect: Defect, number: int) -> None:
        spec, unit = defect.spec, world.units[defect.slot]
        self._world = world
        self._spec = spec
        spot = Spot(world, defect.slot, defect.places, spec.severity, spec.parameters)
        self._changes: list[Change] = defect.kind.effect(spot)
        self.active = False
        self._over = False
        self._due = spec.after == 0.0
        self._chance = world.streams.of("defect", str(number), spec.kind)
        self._drawn = self._draw()
        self._end = Timer(world.timeline, self._last_out)
        if not self._due:
            Timer(world.timeline, self._onset).start(spec.after)
        heat = unit.heat
        self._above = self._below = None
        if spec.above is not None:
            self._above = heat.watch(spec.above, lambda _: self._look(), back=spec.above - HYSTERESIS)
        if spec.below is not None:
            self._below = heat.watch(spec.below, lambda _: self._look(), back=spec.below + HYSTERESIS)
        if spec.probability is not None:
            unit.power_ups.append(self._power_up)
        self._look()

    def _draw(self) -> bool:
        return self._spec.probability is None or self._chance.random() < self._spec.probability

    def _onset(self) -> None:
        self._due = True
        self._look()

    def _power_up(self) -> None:
        self._drawn = self._draw()
        self._over = False
        if self.active and self._drawn and self._spec.lasting is not None:
            self._end.start(self._spec.lasting)
        self._look()

    def _last_out(self) -> None:
        self._over = True
        self._set(active=False)

    def _look(self) -> None:
        warm = self._above is None or self._above.hot
        cold = self._below is None or not self._below.hot
        if not (self._due and warm and cold and self._drawn):
            self._over = False
            self._end.stop()
            self._set(active=False)
        elif not self._over and not self.active:
            self._set(active=True)
            if self._spec.lasting is not None:
                self._end.start(self._spec.lasting)

    def _set(self, *, active: bool) -> None:
        if active == self.active:
            return
        self.active = active
        self._world.anchor()
        for change in self._changes:
            if active:
                change.apply()
            else:
                change.undo()
        self._world.refresh()
