"""The visit of a known good unit that shows a harness right, kept beside the stand file until the harness changes.

A file like `bench.golden.json` for `bench.yaml`, written by `hilseq ready --golden` and by nobody else. It names the
visit by its run and the end of its journal's chain, and the harness by the hash of what the stand file says about it:
supplies, I/O, signals, slots and loop-backs.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Self

from pydantic import BaseModel, ConfigDict, RootModel, ValidationError

from hilseq.analysis.uncertainty import check_standard
from hilseq.description.stand import Stand
from hilseq.errors import UsageError

ENDING = ".golden.json"
#: Earlier visits from which on a chart has limits; and most visits that are kept.
FEWEST_CHARTED, LONGEST_CHART = 5, 100
#: Probability that any of all charts is left though nothing has changed; smaller changes than this share of the
#: expanded uncertainty turn no verdict. Choices, no source.
_FALSE_ALARM, _MATTERS = 0.01, 0.1
_WIRING = {"supplies", "io", "signals", "slots", "loopbacks"}


class ChartedVisit(BaseModel):
    """What one visit of the known good unit read: value and expanded uncertainty by reading, place and unit."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    run: str
    on: str
    readings: dict[str, tuple[float, float]]


class GoldenVisit(BaseModel):
    """One visit: of which unit, on which harness, when (ISO 8601 date), and who says that the unit is good."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    harness: str
    simulated: bool
    part: str
    serial: str
    run: str
    chain: str
    on: str
    by: str
    #: The visits of this unit on this harness, oldest first, the present one last: the points of the control charts.
    charted: tuple[ChartedVisit, ...] = ()

    def with_earlier(self, earlier: GoldenVisit | None) -> Self:
        """Return it with the charts of an earlier visit before its own; those of another unit or harness end."""
        if earlier is None or (earlier.serial, earlier.harness) != (self.serial, self.harness):
            return self
        return self.model_copy(update={"charted": (*earlier.charted, *self.charted)[-LONGEST_CHART:]})

    def out_of_control(self) -> list[str]:
        """Return in words which charts the last visit leaves; none while there are too few earlier visits.

        What has left its chart before is no point of it: a stand that stays changed stays closed.
        """
        inside: dict[str, list[float]] = {}
        reported: list[str] = []
        for visit in self.charted:
            reported = []
            share = _FALSE_ALARM / max(len(visit.readings), 1)
            for name, (value, uncertainty) in visit.readings.items():
                earlier = inside.setdefault(name, [])
                if len(earlier) >= FEWEST_CHARTED:
                    mean, half = check_standard(earlier, share)
                    half = max(half, _MATTERS * uncertainty)
                    if abs(value - mean) > half:
                        before = f"{mean:.6g} \u00b1 {half:.2g} in the {len(earlier)} visits before"
                        reported.append(f"{name}: {value:.6g} on {visit.on}, and {before}")
                        continue
                earlier.append(value)
        return reported


class GoldenVisits(RootModel[dict[str, GoldenVisit]]):
    """The last visit of each type of unit, by its part number; a simulated one counts apart."""


def harness_hash(stand: Stand) -> str:
    """Return the SHA-256 of what a stand file says about the harness, however it is laid out."""
    wiring = stand.model_dump(mode="json", include=_WIRING)
    return hashlib.sha256(json.dumps(wiring, sort_keys=True, default=str).encode()).hexdigest()


def golden_file(stand: Path) -> Path:
    """Return where the visits of known good units of a stand are kept, whether there is one or not."""
    return stand.with_name(stand.stem + ENDING)


def read_golden(stand: Path) -> dict[str, GoldenVisit]:
    """Return the visits that are kept for a stand file. Raises UsageError for a file that is damaged."""
    path = golden_file(stand)
    try:
        return GoldenVisits.model_validate_json(path.read_bytes()).root
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}") from None
    except ValidationError:
        again = "write it again with hilseq ready --golden, or delete it"
        raise UsageError(f"{path} holds no visits of known good units; {again}") from None


def golden_key(part: str, *, simulated: bool) -> str:
    """Return the name under which a visit is kept."""
    return f"{part} (simulated)" if simulated else part


def golden_visit(path: Path, stand: Stand, part: str, *, simulated: bool) -> GoldenVisit | None:
    """Return the visit that shows the harness of a stand, as it is now, right for a type of unit; None without one.

    `path` is that of the stand file. Raises UsageError.
    """
    kept = read_golden(path).get(golden_key(part, simulated=simulated))
    return kept if kept is not None and kept.harness == harness_hash(stand) else None


def keep_golden(path: Path, visit: GoldenVisit) -> Path:
    """Keep a visit beside the stand file at `path`; return the file. Raises UsageError."""
    visits = read_golden(path) | {golden_key(visit.part, simulated=visit.simulated): visit}
    file = golden_file(path)
    try:
        file.write_text(GoldenVisits(visits).model_dump_json(indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{file} cannot be written: {error.strerror}") from None
    return file
