"""What has happened to the instruments since they were calibrated: time has passed, and it may be warmer.

Knows the date of the clock and how warm it is around the stand. Must not know which instrument asks.
"""

from __future__ import annotations

from collections.abc import Callable

from hilseq.clock import Clock
from hilseq.description.accuracy import since_calibration, years_since
from hilseq.description.supplies import Calibration

#: How long a look at the thermometer holds, s: the air of a room does not change faster.
HOLDS = 60.0


class InstrumentConditions:
    """Age and surroundings of the instruments of one stand. `ambient` measures the temperature, degC."""

    def __init__(self, clock: Clock, ambient: Callable[[], float] | None = None) -> None:
        self._clock = clock
        self._ambient = ambient
        self._seen: tuple[float, float] | None = None

    def uncertainty(self, calibration: Calibration | None, reading: float) -> float:
        """Return the standard uncertainty that a reading gained since the calibration, in its unit.

        The thermometer is only asked where the stand file says what a kelvin does.
        """
        if calibration is None or (calibration.drift is None and calibration.per_kelvin is None):
            return 0.0
        years = years_since(calibration, self._clock.moment().date())
        warm = self._temperature() if calibration.per_kelvin else None
        return since_calibration(calibration, reading, years=years, ambient=warm)

    def _temperature(self) -> float | None:
        if self._ambient is None:
            return None
        now = self._clock.now()
        if self._seen is None or now - self._seen[0] > HOLDS:
            self._seen = now, self._ambient()
        return self._seen[1]
