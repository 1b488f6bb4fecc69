"""The cases of a campaign: drawn (which defect, how severe, where; and the good units), judged, and kept in a file.

Of one case: was the defect detected, located, or blamed on the wrong side. Finished rows are kept as they come and
taken up again after any interruption; the first line says which campaign they are of: the options, the version of
hilseq, and the contents of every file that the visits depend on. Rows of other limits, or of other sequences, would
prove nothing.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hilseq.coverage.parcel import Parcel, installed
from hilseq.errors import UsageError
from hilseq.verdicts import Disposition, Obstacle


@dataclass(frozen=True, slots=True)
class Case:
    """One visit of a campaign. A good unit has an empty `defect`.

    `beyond` tells whether the defect lies beyond the profile's limits, so that it must be found; one that is
    not must be let pass. `located` are the places that count as right. `warm`: it is seen only on a unit that has
    warmed up, so the visit needs a soak. `when` are conditions as they are written after the defect; `broken` is what
    the model itself knows of promises that the unit does not keep for it. `beside` is a second defect of the visit, and
    `together` what is not kept with both.
    """

    number: int
    seed: int
    defect: str = ""
    side: str = ""
    place: str = ""
    severity: float | None = None
    beyond: bool = True
    located: tuple[str, ...] = ()
    warm: bool = False
    when: str = ""
    broken: tuple[Mapping[str, Any], ...] = ()
    beside: Case | None = None
    together: tuple[Mapping[str, Any], ...] = ()

    @property
    def fault(self) -> str:
        """The defect as it is when it is there."""
        severity = "" if self.severity is None else f",severity={self.severity:.3f}"
        return f"{self.defect}@{self.place}{severity}"

    @property
    def spec(self) -> str:
        """The defect as `hilseq run --defect` takes it."""
        return f"{self.fault},{self.when}" if self.when else self.fault

    @property
    def faults(self) -> tuple[Case, ...]:
        """It and what stands beside it, or none of a good unit."""
        if not self.defect:
            return ()
        return (self,) if self.beside is None else (self, self.beside)

    @property
    def specs(self) -> tuple[str, ...]:
        """All of its defects as `hilseq run --defect` takes them."""
        return tuple(each.spec for each in self.faults)

    def row(self, run: Path) -> dict[str, Any]:
        """Return the row of the table for the visit in a folder."""
        return judge_case(self, json.loads((run / "summary.json").read_text(encoding="utf-8")))


def choose(catalogue: Sequence[Mapping[str, Any]], kinds: Sequence[str]) -> list[Mapping[str, Any]]:
    """Return the rows of the kinds asked for, all of them when none is. Raises UsageError for an unknown kind."""
    known = [row["kind"] for row in catalogue]
    for kind in kinds:
        if kind not in known:
            from difflib import get_close_matches

            near = get_close_matches(kind, known, 1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise UsageError(f"there is no defect kind {kind!r} for this stand and unit{hint}")
    return [row for row in catalogue if not kinds or row["kind"] in kinds]


def draw(rows: Sequence[Mapping[str, Any]], *, draws: int, units: int, seed: int) -> list[Case]:
    """Return the cases: `draws` of each kind, then `units` good units; the same seed draws the same.

    Of a graded kind every fourth draw lies inside the limits (severity up to `harmless`), the others beyond
    (from `matters` up); between the two no claim is made. A kind that is harmless and never matters lies inside in
    every draw.
    """
    cases: list[Case] = []
    for row in rows:
        # A stream of its own for each kind: asking for one kind draws what the whole campaign draws.
        stream = random.Random(f"{seed}/{row['kind']}")  # noqa: S311 - a draw of cases, not a secret
        for draw_number in range(draws):
            spot = stream.choice(row["spots"])
            severity, beyond = None, True
            if row["harmless"] is not None:
                beyond = row["matters"] is not None and draw_number % 4 != 1
                low, high = (row["matters"], 1.0) if beyond else (0.0, row["harmless"])
                severity = round(stream.uniform(low, high), 3)
            cases.append(
                Case(
                    number=len(cases),
                    seed=stream.randrange(1, 2**31),
                    defect=row["kind"],
                    side=row["side"],
                    place=spot["place"],
                    severity=severity,
                    beyond=beyond,
                    located=tuple(spot["located"]),
                    warm=row["stage"] == "heat",
                )
            )
    stream = random.Random(f"{seed}/good units")  # noqa: S311
    cases += [Case(number=len(cases) + n, seed=stream.randrange(1, 2**31)) for n in range(units)]
    return cases


#: Side of the defect -> the disposition that says so, and those that blame another side.
_RIGHT = {
    "unit": Disposition.REPAIR,
    "stand": Disposition.STAND_FAULT,
    "link": Disposition.INCOMPLETE,
}
_WRONG = {
    "unit": (Disposition.STAND_FAULT,),
    "stand": (Disposition.REPAIR,),
    "link": (Disposition.REPAIR, Disposition.STAND_FAULT),
}


def judge_case(case: Case, summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return the row of the table for a case and the summary of its visit."""
    (unit,) = summary["units"]
    disposition = unit["disposition"]
    found = sorted({(finding["place"], finding["check"]) for finding in unit["findings"]})
    row: dict[str, Any] = {
        "number": case.number,
        "seed": case.seed,
        "disposition": disposition,
        "found": [list(each) for each in found],
    }
    if not case.defect:
        return {**row, "good": True, "why": _first_finding(unit)}
    places = {finding["place"] for finding in unit["findings"]}
    detected = disposition == _RIGHT[case.side] or (case.side != "link" and _is_undecided(unit))
    return {
        **row,
        "defect": case.defect,
        "side": case.side,
        "place": case.place,
        "parameters": {} if case.severity is None else {"severity": case.severity},
        "beyond_limits": case.beyond,
        "detected": detected,
        "located": detected and bool(places & set(case.located)),
        "wrongly_blamed": disposition in _WRONG[case.side],
        "found_at": sorted(places),
        "why": _first_finding(unit),
    }


def _is_undecided(unit: Mapping[str, Any]) -> bool:
    """Return whether a fault was found that unit and harness explain alike, and nobody was blamed."""
    undecided = any(check["obstacle"] == Obstacle.UNIT_OR_HARNESS for check in unit["checks"])
    return unit["disposition"] == Disposition.INCOMPLETE and undecided


def _first_finding(unit: Mapping[str, Any]) -> str:
    return f"{unit['findings'][0]['place']}: {unit['findings'][0]['what']}" if unit["findings"] else ""


_OWN = "hilseq coverage"
#: What the table is made of.
_GOOD = frozenset({"number", "disposition", "good"})
_DEFECT = frozenset({"number", "disposition", "defect", "side", "beyond_limits", "detected", "located"}) | {
    "wrongly_blamed"
}


def campaign_of(options: Mapping[str, Any], parcel: Parcel) -> dict[str, Any]:
    """Return what names a campaign: its options, and the contents of the files that its visits depend on."""
    return {_OWN: installed(), **options, "contents": parcel.digest}


class RowFile:
    """The rows finished so far, one JSON line each, behind the line that names their campaign.

    `keys` are those of each row, where they are not rows of defects and good units.

    Raises UsageError, and leaves the file as it is, when it holds another campaign or something else.
    """

    def __init__(self, path: Path, campaign: Mapping[str, Any], keys: frozenset[str] | None = None) -> None:
        self._path = path
        self._keys = keys
        self.rows: list[dict[str, Any]] = []
        try:
            kept = path.read_bytes() if path.exists() else b""
            path.parent.mkdir(parents=True, exist_ok=True)
            # A line without an end was being written when the campaign was interrupted.
            whole = kept[: kept.rfind(b"\n") + 1]
            if whole:
                self.rows = self._read(whole, campaign)
                if whole != kept:
                    path.write_bytes(whole)
            elif kept:
                raise self._strange(1)
            else:
                path.write_text(json.dumps(campaign) + "\n", encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{path}: {error.strerror or error}; give another --out") from None

    def _read(self, whole: bytes, campaign: Mapping[str, Any]) -> list[dict[str, Any]]:
        lines: list[dict[str, Any]] = []
        for number, line in enumerate(whole.splitlines(), 1):
            try:
                entry = json.loads(line)
            except ValueError:
                raise self._strange(number) from None
            good = isinstance(entry, dict) and "good" in entry
            wanted = {_OWN} if number == 1 else self._keys or (_GOOD if good else _DEFECT)
            if not isinstance(entry, dict) or not wanted <= entry.keys():
                raise self._strange(number)
            lines.append(entry)
        head, *rows = lines
        others = [key for key in campaign if head.get(key) != campaign[key]]
        if others:
            raise UsageError(
                f"{self._path} holds the rows of another campaign ({_reported(others)}); name another --out"
            )
        return rows

    def _strange(self, line: int) -> UsageError:
        return UsageError(
            f"{self._path}, line {line}: no row of a campaign; the file is left as it is: give another --out"
        )

    def add(self, row: dict[str, Any]) -> None:
        """Keep a row."""
        self.rows.append(row)
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")


def _reported(keys: Iterable[str]) -> str:
    words = {_OWN: "another hilseq", "contents": "stand file, profile or sequences have changed"}
    return ", ".join(words.get(key, f"other {key}") for key in keys)
