"""Operating curves: how probably a reading is accepted, by its true value, on stands that are as bad as they may be.

The twin puts the true value of a reading at a share of its limit and uses up every accuracy that the stand file states;
it tells the campaign, never the sequences. A visit makes only the checks of the readings that it is about. Of each
reading half of the draws lie at the limit itself, a quarter two guard bands inside, the others between 0.7 and 1.3 of
it; how wide its guard band is, is seen on the first visits.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

from markupsafe import Markup

from hilseq.analysis.limits import ReadingVerdict
from hilseq.coverage.table import CONFIDENCE, Rate
from hilseq.errors import UsageError
from hilseq.journal.entries import CheckEnded, Reading
from hilseq.journal.reader import Journal, read_journal
from hilseq.reports import svg
from hilseq.verdicts import CheckVerdict

#: What is promised: accepted at the limit at most so often, as estimated and by its upper bound, and so often at least
#: two guard bands inside.
MOST, MOST_BOUND, LEAST = 0.025, 0.04, 0.95
#: Shares of the limit beside the limit itself and the place two guard bands inside.
_SHARES = (0.7, 0.8, 0.9, 0.95, 1.05, 1.1, 1.3)
#: Guard bands from the limit at which a quarter of the draws lie: two, and a little for stands of wider bands.
_DEEP = 2.1
#: Guard bands inside the limit from which on nearly all must be accepted at a single share.
_SURE = 1.96
#: First visits of each group, which show how wide the guard bands are; what is taken until then.
_PILOTS, _BAND = 2, 0.05
#: Share of the limit at which two guard bands inside it must lie, or nearer; what lies farther has a reason.
NEAR = 0.2
_NO_REASON = "no reason is known"
#: The outcome of a true value that was not looked at: the visit did not come to its check.
_NOT_READ = "none"
#: The kind of the twin that uses up every accuracy.
_STAND = "stand-errors@stand"


@dataclass(frozen=True, slots=True)
class Judged:
    """One reading: the twin's kind of true value, its name, its checks, and whether its limit is one from below.

    Readings of one `group` are looked at in the same visits; what closes a gate has visits of its own. `wide` is
    why two guard bands of it are more than a fifth of its limit on the shipped stands.
    """

    kind: str
    reading: str
    checks: tuple[str, ...]
    group: str
    low: bool = False
    wide: str = ""

    def is_of(self, name: str) -> bool:
        """Return whether a reading of this name is one of it; some say at which speed they were taken."""
        return name == self.reading or name.startswith(f"{self.reading} at ")

    def limit(self, reading: Reading) -> float | None:
        """Return the limit of a reading that its true values are shares of, in its unit."""
        return reading.low if self.low else reading.high


_POWER = "test_10_power_on.py::"
_OUTPUTS, _LOADED = "test_60_outputs.py::test_follows", "test_65_loaded_outputs.py::test_carries_its_load"
JUDGED = (
    Judged("true-time-to-ready", "time to ready", (f"{_POWER}test_starts",), "start"),
    Judged("true-idle-current", "idle current", (f"{_POWER}test_current_when_idle",), "idle"),
    Judged("true-idle-current-low", "idle current", (f"{_POWER}test_current_when_idle",), "idle, low", low=True),
    Judged("true-live-current", "live current", (f"{_POWER}test_current_when_live",), "unit"),
    Judged("true-loaded-current", "loaded current", (f"{_POWER}test_current_in_each_mode",), "loaded"),
    Judged("true-temperature-error", "error of the reported temperature",
           (f"{_POWER}test_reports_its_temperature",), "unit",
           wide="a thermometer on a case is good for half a kelvin, and the unit's claim is a few"),
    Judged("true-clock-drift", "clock drift", ("test_82_clock_drift.py::test_clock_runs_right",), "unit",
           wide="the clock is watched for as long as a visit can wait, and its answers take their time"),
    Judged("true-battery-voltage", "battery voltage", ("test_45_clock_and_memory.py::test_battery",), "unit",
           low=True),
    Judged("true-time-to-change", "time to change", ("test_50_modes.py::test_reaches",), "modes"),
    Judged("true-output-delay", "switching delay", (_OUTPUTS,), "points",
           wide="commands and looks take as long as the answers of link and I/O, and a look is as old as a scan"),
    Judged("true-voltage-drop", "voltage drop when on", (_LOADED,), "points"),
    Judged("true-leakage", "leakage when off", (_LOADED,), "leakage",
           wide="voltmeters at the outputs are good for a tenth of what the limit leaves at the load"),
    Judged("true-off-voltage", "voltage when off", (_LOADED,), "off voltage"),
    Judged("true-input-delay", "input delay", ("test_70_inputs.py::test_reports",), "points",
           wide="drives and looks take as long as the answers of I/O and link"),
    Judged("true-deviation", "largest deviation", ("test_75_analog.py::test_is_accurate",), "points",
           wide="channels of the stand are seven times as accurate as the unit claims to be, and no more"),
    Judged("true-port-clock", "error of the port's clock", ("test_80_ports.py::test_clock",), "unit"),
    Judged("true-bit-errors", "bit error ratio", ("test_80_ports.py::test_carries_frames",), "unit",
           wide="a ratio is counted, and its bounds are as far apart as few errors leave them"),
    Judged("true-ride-through", "ride-through", ("test_85_supply_margins.py::test_rides_through",), "margins",
           low=True, wide="a supply falls and rises some time after its commands, each within its response"),
    Judged("true-drop-out", "drop-out voltage", ("test_85_supply_margins.py::test_slow_ramp",), "ramp"),
    Judged("true-pick-up", "pick-up voltage", ("test_85_supply_margins.py::test_slow_ramp",), "ramp, up"),
)  # fmt: skip


def chosen(spots: Mapping[str, Sequence[str]], kinds: Sequence[str]) -> list[Judged]:
    """Return the readings that the twin can set here, of the kinds asked for. Raises UsageError for an unknown kind."""
    here = [judged for judged in JUDGED if judged.kind in spots]
    for kind in kinds:
        if kind not in [judged.kind for judged in here]:
            known = ", ".join(judged.kind for judged in here)
            raise UsageError(
                f"there is no true value {kind!r} for this stand and unit; expected one of {known}"
            )
    return [judged for judged in here if not kinds or judged.kind in kinds]


@dataclass(frozen=True, slots=True)
class TrueValue:
    """What the twin was given of one reading at one place: its true value as a share of its limit."""

    kind: str
    place: str
    share: float

    @property
    def spec(self) -> str:
        """The kind as `hilseq run --defect` takes it: the limit is severity 0.5."""
        return f"{self.kind}@{self.place},severity={0.5 * self.share:.6f}"


@dataclass(frozen=True, slots=True)
class CurveCase:
    """One visit: a stand that is as wrong as it may be, and true values."""

    number: int
    seed: int
    group: str
    values: tuple[TrueValue, ...]
    warm: bool = False

    @property
    def specs(self) -> tuple[str, ...]:
        """What the twin is given."""
        return (_STAND, *(value.spec for value in self.values))

    def row(self, run: Path) -> dict[str, Any]:
        """Return the outcome of each true value in a finished visit."""
        journal = read_journal(run)
        kinds = {judged.kind: judged for judged in JUDGED}
        single = {value.kind for value in self.values if sum(v.kind == value.kind for v in self.values) == 1}
        trials = []
        for value in self.values:
            judged = kinds[value.kind]
            named = [reading for reading in journal.of(Reading) if judged.is_of(reading.name)]
            here = [reading for reading in named if reading.place == value.place]
            found = here or (named if value.kind in single else [])
            last = found[-1] if found else None
            trials.append(
                {
                    "kind": value.kind,
                    "place": value.place,
                    "share": value.share,
                    "verdict": str(last.verdict) if last else _unread(judged, value.place, journal),
                    "guard_band": None if last is None else _band(last, judged),
                }
            )
        return {"number": self.number, "seed": self.seed, "group": self.group, "trials": trials}


def _unread(judged: Judged, place: str, journal: Journal) -> str:
    """Return the outcome of a true value of which there is no reading: refused by its check, or not looked at."""
    refused = any(
        check.verdict is CheckVerdict.FAILED
        and check.check.startswith(judged.checks)
        and (place in check.places or check.check.endswith(f"[{place}]") or check.check in judged.checks)
        for check in journal.of(CheckEnded)
    )
    return str(ReadingVerdict.FAILS) if refused else _NOT_READ


def _band(reading: Reading, judged: Judged) -> float | None:
    """Return the guard band of a reading as a share of its limit."""
    limit = judged.limit(reading)
    return reading.guard_band / abs(limit) if limit and isinstance(reading.uncertainty, float) else None


#: The keys of a row.
ROW = frozenset({"number", "seed", "group", "trials"})


def groups(judged: Iterable[Judged]) -> dict[str, list[Judged]]:
    """Return the readings by the visits that they share."""
    found: dict[str, list[Judged]] = {}
    for one in judged:
        found.setdefault(one.group, []).append(one)
    return found


def draw(
    judged: Sequence[Judged],
    spots: Mapping[str, Sequence[str]],
    rows: Sequence[Mapping[str, Any]],
    *,
    visits: range,
    seed: int,
    first: int,
) -> list[CurveCase]:
    """Return these visits of one group, numbered from `first`; the same seed and rows draw the same."""
    bands = {one.kind: guard_band(one.kind, rows) or _BAND for one in judged}
    cases = []
    for visit in visits:
        stream = random.Random(f"{seed}/{judged[0].group}/{visit}")  # noqa: S311 - a draw, not a secret
        number = stream.randrange(1, 2**31)
        values = [
            TrueValue(one.kind, place, _share(stream, one, bands[one.kind]))
            for one in judged
            for place in spots[one.kind]
        ]
        cases.append(CurveCase(first + visit, number, judged[0].group, tuple(values)))
    return cases


def pilots(visits: int) -> int:
    """Return how many of the visits of a group are made first, to see how wide its guard bands are."""
    return min(_PILOTS, visits)


def two_bands_inside(band: float, *, low: bool) -> float:
    """Return the share of the limit that lies two guard bands inside it; the band is a share of the limit too."""
    return 1.0 + 2.0 * band if low else max(0.0, 1.0 - 2.0 * band)


def _share(stream: random.Random, judged: Judged, band: float) -> float:
    which, other = stream.random(), stream.choice(_SHARES)
    if which < 0.5:  # noqa: PLR2004 - half of them
        return 1.0
    inside = two_bands_inside(0.5 * _DEEP * band, low=judged.low)
    return round(inside, 4) if which < 0.75 else other  # noqa: PLR2004 - a quarter


def guard_band(kind: str, rows: Iterable[Mapping[str, Any]]) -> float | None:
    """Return the guard band of a reading as a share of its limit: the median of what was judged near it."""
    seen = [
        trial["guard_band"]
        for row in rows
        for trial in row["trials"]
        if trial["kind"] == kind and trial["guard_band"] is not None
    ]
    return median(seen) if seen else None


@dataclass(frozen=True, slots=True)
class OperatingCurve:
    """One reading over all draws: accepted and found at fault by true value, and accepted well inside.

    `inside` counts the draws that lie two guard bands of their own visit inside the limit, or deeper.
    """

    judged: Judged
    band: float | None
    accepted: Mapping[float, Rate]
    refused: Mapping[float, Rate]
    inside: Rate

    @property
    def at_limit(self) -> Rate:
        """Accepted with the true value at the limit."""
        return self.accepted.get(1.0, Rate(0, 0))

    @property
    def second(self) -> float | None:
        """Where two guard bands inside the limit is, as a share of it."""
        return None if self.band is None else two_bands_inside(self.band, low=self.judged.low)

    @property
    def wide(self) -> str:
        """Why that lies farther from the limit than it should; empty where it does not."""
        far = self.second is not None and abs(1.0 - self.second) > NEAR
        return (self.judged.wide or _NO_REASON) if far else ""

    @property
    def blamed(self) -> Rate:
        """Found at fault though inside its limit or on it."""
        within = [
            rate
            for share, rate in self.refused.items()
            if (share >= 1.0 if self.judged.low else share <= 1.0)
        ]
        return Rate(sum(rate.hits for rate in within), sum(rate.trials for rate in within))

    @property
    def broken(self) -> list[str]:
        """What of the promise the draws speak against, or are too few to show, in words."""
        words, limit, inside = [], self.at_limit, self.inside
        if self.band is None:
            return ["not judged on this stand"]
        if limit.value is None or limit.bounds is None:
            return ["no draw at the limit"]
        if limit.value > MOST:
            words.append(f"accepted at the limit in {limit.value:.1%}")
        elif limit.bounds[1] > MOST_BOUND:
            words.append(f"too few draws: up to {limit.bounds[1]:.1%} at the limit")
        if inside.value is not None and inside.value < LEAST:
            words.append(f"only {inside.value:.1%} accepted two guard bands inside")
        if self.blamed.value and self.blamed.value > MOST:
            words.append(f"{self.blamed.value:.1%} found at fault inside the limit")
        if self.wide == _NO_REASON:
            words.append(f"two guard bands inside is at {self.second:.2f} of the limit")
        return words

    def is_broken_at(self, share: float) -> bool:
        """Return whether acceptance with the true value at this share of the limit speaks against the promise."""
        accepted = self.accepted[share].value or 0.0
        if share <= 1.0 if self.judged.low else share >= 1.0:
            return accepted > MOST
        return self.band is not None and abs(1.0 - share) >= _SURE * self.band and accepted < LEAST

    def as_data(self) -> dict[str, Any]:
        """Return the curve as plain JSON data."""
        return {
            "reading": self.judged.reading,
            "true_value": self.judged.kind,
            "limit": "lower" if self.judged.low else "upper",
            "guard_band": self.band,
            "second_point": self.second,
            "why_wide": self.wide,
            "points": [
                {
                    "true_value": share,
                    "accepted": rate.hits,
                    "draws": rate.trials,
                    "bounds": rate.bounds,
                    "found_at_fault": self.refused[share].hits,
                }
                for share, rate in sorted(self.accepted.items())
            ],
            "at_limit": self.at_limit.value,
            "at_limit_bounds": self.at_limit.bounds,
            "two_guard_bands_inside": self.inside.value,
            "two_guard_bands_inside_bounds": self.inside.bounds,
            "found_at_fault_inside": self.blamed.value,
            "broken": self.broken,
        }


def tabulate(judged: Iterable[Judged], rows: Sequence[Mapping[str, Any]]) -> list[OperatingCurve]:
    """Return the curve of each reading."""
    curves = []
    for one in judged:
        trials = [
            trial
            for row in rows
            for trial in row["trials"]
            if trial["kind"] == one.kind and trial["verdict"] != _NOT_READ
        ]
        accepted, refused, band = {}, {}, guard_band(one.kind, rows)
        for share in sorted({trial["share"] for trial in trials}):
            here = [trial["verdict"] for trial in trials if trial["share"] == share]
            accepted[share] = Rate(here.count(ReadingVerdict.CONFORMS), len(here))
            refused[share] = Rate(here.count(ReadingVerdict.FAILS), len(here))
        deep = [trial["verdict"] for trial in trials if _is_deep(trial, band, low=one.low)]
        inside = Rate(deep.count(ReadingVerdict.CONFORMS), len(deep))
        curves.append(OperatingCurve(one, band, accepted, refused, inside))
    return curves


def _is_deep(trial: Mapping[str, Any], usual: float | None, *, low: bool) -> bool:
    band = usual if trial["guard_band"] is None else trial["guard_band"]
    if band is None:
        return False
    edge = two_bands_inside(band, low=low)
    return bool(trial["share"] >= edge if low else trial["share"] <= edge)


def as_data(curves: Iterable[OperatingCurve]) -> dict[str, Any]:
    """Return all curves as plain JSON data; true values and guard bands are shares of the limit."""
    promise = {
        "at_limit_at_most": MOST,
        "its_bound_at_most": MOST_BOUND,
        "two_guard_bands_inside_at_least": LEAST,
    }
    return {"promise": promise, "confidence": CONFIDENCE, "curves": [curve.as_data() for curve in curves]}


# -- as one picture: a small plot for each reading ---------------------------------------------------------

_COLUMNS = 3
_WIDTH, _HEIGHT, _HEAD = 300.0, 190.0, 34.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 52.0, 12.0, 38.0, 34.0
_STYLE = (
    "svg{background:#fff;font:11px sans-serif;fill:#1a1a1a}.frame{fill:none;stroke:#444}.grid,.tick{stroke:#ddd}"
    ".number,.level{fill:#555;font-size:10px}.name{font-weight:bold}.limit{stroke:#1a1a1a;stroke-width:1.5}"
    ".band{stroke:#aaa;fill:none}.bound{stroke:#555}.way{fill:none;stroke:#888}.mark{fill:#1a1a1a;stroke:#1a1a1a}"
    ".cross{fill:none;stroke-width:1.5}"
)


def draw_curves(curves: Sequence[OperatingCurve], title: str) -> Markup:
    """Draw all curves: acceptance against the true value as a share of the limit, with exact bounds.

    The hatched strip is the guard band. A point is a disc where the promise holds or says nothing, else a cross.
    """
    rows = max(1, math.ceil(len(curves) / _COLUMNS))
    parts = [svg.element("style", _STYLE), svg.label(title, 8, 20, "name")]
    for number, curve in enumerate(curves):
        left, top = number % _COLUMNS * _WIDTH, _HEAD + number // _COLUMNS * _HEIGHT
        parts += _plot(curve, left, top)
    reported = "; ".join(
        f"{curve.judged.reading}: {', '.join(curve.broken) or 'as promised'}" for curve in curves
    )
    return svg.drawing(
        (_COLUMNS * _WIDTH, _HEAD + rows * _HEIGHT), title, reported, parts, "plot", xmlns=svg.SVG
    )


def _plot(curve: OperatingCurve, left: float, top: float) -> list[Markup]:
    frame = svg.PlotFrame(left + _LEFT, top + _TOP, left + _WIDTH - _RIGHT, top + _HEIGHT - _BOTTOM)
    shares = sorted(curve.accepted)
    x = svg.Axis(min([0.7, *shares]), max([1.3, *shares]), frame.left + 4, frame.right - 4)
    y = svg.Axis(-0.02, 1.02, frame.bottom, frame.top)
    parts: list[Markup] = []
    if curve.band is not None:
        ends = (1.0, 1.0 + curve.band) if curve.judged.low else (1.0 - curve.band, 1.0)
        parts.append(svg.hatch(x(ends[0]), frame.top, x(ends[1]) - x(ends[0]), frame.height, "band"))
    parts += frame.upwards(y, 4)
    parts += frame.across((x(share), f"{share:g}") for share in (0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3))
    parts.append(svg.line(x(1.0), frame.top, x(1.0), frame.bottom, "limit"))
    which = "lower" if curve.judged.low else "upper"
    parts.append(svg.label(f"{curve.judged.reading} ({which} limit)", left + 8, top + 14, "name"))
    parts.append(svg.label(f"at the limit {curve.at_limit}", left + 8, top + 28, "number"))
    points = [(share, rate) for share in shares if (rate := curve.accepted[share]).value is not None]
    parts.append(svg.path(((x(share), y(rate.value or 0.0)) for share, rate in points), "way"))
    for share, rate in points:
        low, high = rate.bounds or (0.0, 1.0)
        parts.append(svg.line(x(share), y(low), x(share), y(high), "bound"))
        verdict = "fails" if curve.is_broken_at(share) else "conforms"
        parts.append(svg.mark(x(share), y(rate.value or 0.0), verdict, 2.6))
    return parts
