"""Where digital inputs change over: a search of all of them at once, by bisection, rising and falling.

Only on stands that drive inputs with a voltage. Each trial begins from the state it must leave, so that
hysteresis is measured and not guessed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from hilseq.analysis.search import Bisection
from hilseq.errors import UnitFault
from hilseq.measured import Measured
from hilseq.procedures.points import Inputs

#: Resolution of the search in parts of the rated supply: 0.1 V at 24 V.
RESOLUTION = 1.0 / 240.0


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Where one input changes over, V; None where it never did between 0 V and the rated supply."""

    rising: Measured | None
    falling: Measured | None

    def both(self, name: str) -> Iterator[tuple[str, Measured]]:
        """Yield what each is called, and the threshold. Raises UnitFault where there is none."""
        for word, found in (("rising", self.rising), ("falling", self.falling)):
            if found is None:
                raise UnitFault(
                    f"{name} does not change over {word} between 0 V and the rated supply", place=name
                )
            yield f"threshold {word}", found


def find_thresholds(inputs: Inputs, names: tuple[str, ...], supply: float) -> dict[str, Thresholds]:
    """Search the thresholds of inputs that the stand drives with a voltage; nothing is driven afterwards."""
    resolution = RESOLUTION * supply
    try:
        rising = _search(
            inputs, {n: Bisection(0.0, supply, resolution) for n in names}, start=0.0, quiet=False
        )
        falling = _search(
            inputs, {n: Bisection(supply, 0.0, resolution) for n in names}, start=supply, quiet=True
        )
    finally:
        inputs.release()
    return {name: Thresholds(rising[name], falling[name]) for name in names}


def _search(
    inputs: Inputs, searches: Mapping[str, Bisection], *, start: float, quiet: bool
) -> dict[str, Measured | None]:
    """Run searches side by side: a point passes while the input still reports `quiet`."""
    while True:
        points = {name: point for name, s in searches.items() if (point := s.next_point()) is not None}
        if not points:
            break
        inputs.drive_volts(dict.fromkeys(points, start))
        seen = inputs.drive_volts(points)
        for name in points:
            searches[name].tell(passed=seen[name] is quiet)
    found: dict[str, Measured | None] = {}
    for name, search in searches.items():
        edge = search.found()
        if edge.middle is None or edge.standard_uncertainty is None:
            found[name] = None
        else:
            known = math.hypot(edge.standard_uncertainty, inputs.drive_uncertainty(name, edge.middle))
            found[name] = Measured(edge.middle, "V", known)
    return found
