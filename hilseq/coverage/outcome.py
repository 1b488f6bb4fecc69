"""What came of one case: detected, located, blamed on the wrong side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hilseq.coverage.cases import Case
from hilseq.verdicts import Disposition

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
    row: dict[str, Any] = {"number": case.number, "seed": case.seed, "disposition": disposition}
    if not case.defect:
        return {**row, "good": True, "why": _first_finding(unit)}
    places = {finding["place"] for finding in unit["findings"]}
    detected = disposition == _RIGHT[case.side]
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


def _first_finding(unit: Mapping[str, Any]) -> str:
    return f"{unit['findings'][0]['place']}: {unit['findings'][0]['what']}" if unit["findings"] else ""
