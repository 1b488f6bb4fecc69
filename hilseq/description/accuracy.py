"""From what a stand file says about an instrument to the standard uncertainty of one of its readings.

The largest error promised (`0.05 % + 5 mV`) and the last digit are rectangular (GUM 4.3.7, F.2.2.1); so is
what the time and the temperature since the calibration add, where the stand file says how much.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import date
from typing import TYPE_CHECKING, Literal, NamedTuple

from hilseq.analysis.uncertainty import Term, combine, rectangular, resolution
from hilseq.clock import Clock
from hilseq.description.calibration import Calibration
from hilseq.description.findings import Place
from hilseq.description.supplies import Supply
from hilseq.quantities import AccuracyTerms, base_unit, dimension_of

if TYPE_CHECKING:
    from hilseq.description.stand import Signal, Stand

#: A clock is watched until its claim is this many times what reading it leaves unknown (a standard uncertainty).
CLOCK_FINENESS = 20.0
#: Looks at a point within its settling time while its delay is measured; spaces between two looks that are narrow
#: enough; and passes, begun at other instants, that are made where they are wider.
DELAY_LOOKS, DELAY_NARROW, DELAY_PASSES = 10, 2.0, 12
#: s that a command and a look take together at least, on a network of their own (common practice, no source).
DELAY_EXCHANGES = 2e-3
#: Readings at most whose mean is judged, where one is too near a limit.
MOST_READINGS = 20
#: Time between two questions to the unit, s; least time between two readings of a start, and two steps of a ramp, s: a
#: supply that settles faster is not asked more often.
POLL_INTERVAL, SUPPLY_PERIOD = 0.02, 0.05
#: How finely the edges of a port's clock are searched, as a share of its speed; an adapter that is less exact is not
#: asked for more.
PORT_FINENESS = 0.002
#: Largest error of the supply voltage that a unit reports, as a share, where no profile claims any: behind its diode
#: and its wires (common practice, no source).
REPORTED_SUPPLY = 0.10
#: Resolution of the search for a threshold, in parts of the rated supply: 0.1 V at 24 V.
THRESHOLD_FINENESS = 1.0 / 240.0
#: Days of a year, as data sheets count the drift of an instrument.
_YEAR = 365.25


def of_terms(terms: AccuracyTerms, reading: float, *, span: float = 0.0, step: float = 0.0) -> float:
    """Return the standard uncertainty of a reading; all in the base unit, `step` is the last digit."""
    return combine([rectangular(terms.limit(reading, span)), resolution(step)])


def signal_terms(name: str, signal: Signal, value: float) -> list[Term]:
    """Return what the uncertainty of the signal `name` at `value` is made of, all in its own unit.

    Its accuracy is a rectangular limit (limit / sqrt 3, GUM 4.3.7), its resolution a rectangular width (step /
    sqrt 12, GUM F.2.2.1). `of range` means of all values the signal can have. A signal without accuracy has its
    resolution only.
    Raises QuantityError when the accuracy does not fit the unit.
    """
    _, factor = base_unit(signal.unit)
    terms = signal.accuracy_terms()
    found = [
        Term(f"resolution of {name}", resolution(signal.step), "rectangular", source="stand file: scale")
    ]
    if terms is not None:
        limit = terms.limit(value * factor, signal.span * factor) / factor
        accuracy = Term(
            f"accuracy of {name}",
            rectangular(limit),
            "rectangular",
            source="stand file: accuracy",
            shared=name,
        )
        found.insert(0, accuracy)
    scatter = signal.repeatability_terms()
    if scatter is not None:
        deviation = scatter.limit(value * factor, signal.span * factor) / factor
        source = "stand file: repeatability"
        found.append(Term(f"repeatability of {name}", deviation, source=source, scatters=True))
    return found


class CertifiedReading(NamedTuple):
    """What a calibration certificate says about a reading: what is added to it, and the term of its uncertainty."""

    correction: float
    term: Term


def of_certificate(
    calibration: Calibration | None,
    which: Literal["points", "voltage_points", "current_points"],
    dimension: str,
    value: float,
    name: str,
) -> CertifiedReading | None:
    """Return what a certificate says about a reading of `name`, all in the base unit; None where it says nothing.

    Between two points the correction is interpolated, and the worse of their uncertainties holds. Beyond the first and
    the last it says nothing. Raises QuantityError when a point does not fit the unit.
    """
    points = () if calibration is None else calibration.certified(which, dimension)
    if calibration is None or not points or not points[0].at <= value <= points[-1].at:
        return None
    after = next(number for number, point in enumerate(points) if value <= point.at)
    right, left = points[after], points[max(after - 1, 0)]
    share = (value - left.at) / (right.at - left.at) if right.at > left.at else 0.0
    source = f"certificate {calibration.certificate}"
    term = Term(
        f"calibration of {name}",
        max(left.uncertainty, right.uncertainty),
        source=source,
        shared=name,
        correlation=calibration.correlation,
    )
    return CertifiedReading(left.correction + share * (right.correction - left.correction), term)


def certified_signal(name: str, signal: Signal, value: float) -> CertifiedReading | None:
    """Return what the certificate of a signal says about a reading, both in its own unit. Raises QuantityError."""
    calibration = signal.calibration
    if calibration is None or not calibration.points:
        return None
    _, factor = base_unit(signal.unit)
    found = of_certificate(calibration, "points", dimension_of(signal.unit), value * factor, name)
    return None if found is None else CertifiedReading(found.correction / factor, found.term * (1.0 / factor))


def of_signal(signal: Signal, value: float) -> float:
    """Return the standard uncertainty of a signal at `value`, both in its own unit (`signal_terms`)."""
    return combine(term.value for term in signal_terms("the signal", signal, value))


def of_supply_current(supply: Supply, amperes: float) -> float:
    """Return the standard uncertainty of a current that a supply measures, A: of its certificate, or its accuracy."""
    certified = of_certificate(supply.calibration, "current_points", "current", amperes, "current")
    if certified is not None:
        return certified.term.value
    return of_terms(supply.accuracy.current, amperes, span=supply.ceilings.current)


def of_supply_voltage(supply: Supply, volts: float) -> float:
    """Return the standard uncertainty of a voltage that a supply measures, V: of its certificate, or its accuracy."""
    certified = of_certificate(supply.calibration, "voltage_points", "voltage", volts, "voltage")
    if certified is not None:
        return certified.term.value
    return of_terms(supply.accuracy.voltage, volts, span=supply.ceilings.voltage)


def of_delay(settle: float, *, scan: float, lag: float) -> float:
    """Return how well a stand knows the delay of a point, a standard uncertainty in s.

    Between two looks (rectangular, GUM 4.3.7). Passes begun at other instants narrow what a `scan` of the stand hides,
    and nothing of a `lag`, of which only the longest is known. All in s.
    """
    return resolution(max(DELAY_NARROW * settle / DELAY_LOOKS, DELAY_EXCHANGES, scan / DELAY_PASSES, lag))


def of_interruption(supply: Supply) -> float:
    """Return how well the length of an interruption by this supply is known, a standard uncertainty in s.

    The output may fall late and rise late, each by up to its response (rectangular, so triangular together:
    response / sqrt 6, GUM 4.3.9).
    """
    return supply.follows_within / math.sqrt(6.0)


def since_calibration(
    calibration: Calibration | None, reading: float, *, years: float, ambient: float | None
) -> float:
    """Return what age and temperature add to the standard uncertainty of a reading, in its unit.

    `years` since the calibration, `ambient` in degC now (None: not known, nothing is added for it).
    """
    if calibration is None:
        return 0.0
    aged = (calibration.drift or 0.0) * years
    away = (
        0.0 if ambient is None else (calibration.per_kelvin or 0.0) * abs(ambient - calibration.temperature)
    )
    return combine([rectangular(aged * abs(reading)), rectangular(away * abs(reading))])


def years_since(calibration: Calibration | None, today: date) -> float:
    """Return the age of a calibration in years; 0 where its day is not stated or is still to come."""
    if calibration is None or calibration.done is None:
        return 0.0
    return max(0.0, (today - calibration.done).days / _YEAR)


class Calibrated(NamedTuple):
    """A part of the stand, as faults name it, where it stands in the file, and its calibration if stated."""

    part: str
    place: Place
    calibration: Calibration | None

    def overdue(self, today: date) -> str:
        """Return since when its calibration does not hold any more, in words; empty while it does."""
        if self.calibration is None or self.calibration.due >= today:
            return ""
        return f"the calibration of {self.part} is overdue: it held until {self.calibration.due.isoformat()}"


def calibrated_parts(stand: Stand) -> Iterator[Calibrated]:
    """Yield every instrument, and every signal that has a calibration of its own."""
    for name, supply in stand.supplies.items():
        yield Calibrated(f"supply {name}", ("supplies", name, "calibration", "due"), supply.calibration)
    for name, io in stand.io.items():
        yield Calibrated(f"io {name}", ("io", name, "calibration", "due"), io.calibration)
    for name, signal in stand.signals.items():
        if signal.calibration is not None:
            yield Calibrated(name, ("signals", name, "calibration", "due"), signal.calibration)


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
