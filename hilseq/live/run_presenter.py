"""A run in words: what pages and streams show of it, as plain data whose every text is fit to be shown."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from hilseq.journal.causes import diagnosis
from hilseq.journal.entries import EventLogged, JournalEntry, MadeSafe, RunResumed
from hilseq.journal.event_names import CONDITIONS, FOUND, MODE_REACHED, PROOF
from hilseq.journal.run_state import CheckState, RunState, RunStatus, UnitState
from hilseq.journal.samples import CURRENT, MODE, VOLTAGE
from hilseq.journal.soak_entries import (
    SamplesMissed,
    SoakColumn,
    SoakEnded,
    SoakEventLogged,
    SoakGap,
    SoakStarted,
)
from hilseq.live.follower import RUNS, Follower, Found, Liveness
from hilseq.live.follower import SIGNS as STATUS_SIGNS
from hilseq.live.soaking import SampledSoak
from hilseq.quantities import show_duration
from hilseq.reports.formatting import (
    DAMAGED,
    DISPOSITION_SIGNS,
    MEANINGS,
    SIGNS,
    count,
    date,
    join_truncated,
    scale_of,
    without_places,
    worst,
)
from hilseq.reports.sanitize import sanitize
from hilseq.reports.soak_plots import letter
from hilseq.verdicts import CheckVerdict, Disposition

Plain = dict[str, Any]

#: Happenings and findings shown; the report has all of them.
MOST_EVENTS, MOST_FINDINGS = 60, 12
#: Below so many seconds left, seconds are reported.
_SECONDS_COUNT = 600.0
#: Events that say what every check does, or what the report says better.
_QUIET = frozenset({FOUND, MODE_REACHED, CONDITIONS, PROOF, "safe state"})


def shown(value: Any) -> Any:
    """Return plain data with every text made visible, keys included."""
    if isinstance(value, str):
        return sanitize(value, 400)
    if isinstance(value, Mapping):
        return {sanitize(key, 400): shown(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [shown(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def as_json(value: Any) -> str:
    """Return plain data as one line of ASCII."""
    return json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def run_reported(found: Found, follower: Follower) -> Plain:
    """Return all that is shown of a run; to be called inside the follower's `look`."""
    life, record = follower.liveness, follower.record
    reported: Plain = {
        "key": found.key,
        "name": found.folder.name,
        "state": _state(life),
        "began": date(found.began) if found.began else "",
        "simulated": False,
        "stand": "",
        "unsafe": "",
        "units": [],
        "events": [],
        "notice": follower.refused,
    }
    if record is None:
        if life.status is RunStatus.RUNNING and not follower.refused:
            reported["notice"] = "The run has not written its first line yet."
        return _checked(reported)
    running = life.status is RunStatus.RUNNING
    if running and life.reported == RUNS:
        reported["state"]["reported"] = f"since {date(record.started)}"
    reported |= {
        "name": record.run,
        "stand": record.stand,
        "simulated": bool(record.simulated),
        "began": date(record.started),
        "lasted": show_duration(max(record.seconds, 0.0)),
        "unsafe": "" if running else record.unsafe,
        "units": [
            _unit(record, unit, life, follower.soaks.get(unit.slot))
            | {"report": f"/runs/{found.key}/report/{number}" if report else ""}
            for number, (unit, report) in enumerate(zip(record.units, follower.reports, strict=True), 1)
        ],
        "events": _events(follower, record),
    }
    return _checked(reported)


def _checked(reported: Plain) -> Plain:
    result: Plain = shown(reported)
    return result


def _state(life: Liveness) -> Plain:
    return {"code": str(life.status), "sign": STATUS_SIGNS[life.status], "reported": life.reported}


def _said(code: str, sign: str, word: str, reported: str = "") -> Plain:
    return {"code": code.replace(" ", "-"), "sign": sign, "word": word, "reported": reported}


def _disposition(record: RunState, unit: UnitState, life: Liveness, soak: SampledSoak | None) -> Plain:
    """Return what may be said about the unit now. A running run has shipped nothing."""
    if life.status is RunStatus.RUNNING:
        failed = sum(check.verdict is CheckVerdict.FAILED for check in unit.checks)
        broken = sum(check.verdict is CheckVerdict.STAND_FAULT for check in unit.checks)
        if broken:
            return _said(
                "stand-fault", "!", "stand fault so far", f"the stand failed in {count(broken, 'check')}"
            )
        if failed:
            return _said("repair", "\u2717", "faults found so far", f"{count(failed, 'check')} failed")
        happened = 0 if soak is None else len(soak.state.incidents)
        found = f"{count(happened, 'event')} in the soak so far" if happened else "no fault found so far"
        return _said("under-test", "\u25b6", "under test", found)
    final = record.final(unit)
    if not record.whole and final is Disposition.INCOMPLETE:
        return _said(
            str(final),
            DISPOSITION_SIGNS[final],
            str(final),
            "The run did not finish: the unit may not ship.",
        )
    meaning = DAMAGED if unit.damage and final is Disposition.INCOMPLETE else MEANINGS[final]
    return _said(str(final), DISPOSITION_SIGNS[final], str(final), meaning)


def _unit(record: RunState, unit: UnitState, life: Liveness, soak: SampledSoak | None) -> Plain:
    running = life.status is RunStatus.RUNNING
    # How far it is while it runs; how much was done once it has ended.
    done = sum(
        check.ended for check in unit.checks if running or check.verdict is not CheckVerdict.NOT_PERFORMED
    )
    now = [check for check in unit.checks if check.started and not check.ended]
    causes = diagnosis(unit).causes
    return {
        "slot": unit.slot,
        "part": unit.part,
        "serial": unit.serial,
        "description": unit.description,
        "disposition": _disposition(record, unit, life, soak),
        "done": done,
        "planned": len(unit.checks),
        "now": f"{now[-1].stage}: {now[-1].title} ({now[-1].place})" if now and running else "",
        "stages": [_stage(name, checks, running=running) for name, checks in unit.stages.items()],
        "findings": [
            {"place": join_truncated(one.places), "what": without_places(one.places, one.what)}
            for one in causes[:MOST_FINDINGS]
        ],
        "more_findings": max(len(causes) - MOST_FINDINGS, 0),
        "soak": None if soak is None else _soak(soak, life),
    }


def _stage(name: str, checks: list[CheckState], *, running: bool) -> Plain:
    done = [check for check in checks if not running or check.ended]
    under_way = sum(check.started for check in checks if running and not check.ended)
    tally = Counter(check.verdict for check in done)
    words = ", ".join(f"{number} {verdict}" for verdict, number in tally.items())
    if not done:
        said = _said("active", "\u25b6", "now") if under_way else _said("waiting", "\u00b7", "to come")
    else:
        verdict = worst(check.verdict for check in done)
        said = _said(str(verdict), SIGNS[verdict], str(verdict))
        if under_way and verdict is CheckVerdict.PASSED:
            said = _said("active", "\u25b6", "now")
    waiting = len(checks) - len(done) - under_way
    parts = [words, f"{under_way} under way" if under_way else "", f"{waiting} to come" if waiting else ""]
    return said | {"name": name, "reported": ", ".join(filter(None, parts))}


# -- the soak --------------------------------------------------------------------------------------------


class ValueFormat:
    """How the values of one quantity are written: one unit and as many decimals for all of them."""

    def __init__(self, quantity: SoakColumn, least: float, greatest: float) -> None:
        known = [abs(value) for value in (least, greatest) if math.isfinite(value)]
        self._quantity = quantity
        self.scale = scale_of(quantity.unit, known)
        largest = max(known, default=0.0) * self.scale.factor
        self._decimals = min(max(3 - math.floor(math.log10(largest)), 0), 6) if largest > 0 else 0
        self.unit = self.scale.unit

    def number(self, value: float) -> str:
        """Return a value with its unit, or a dash where the unit under test said nothing."""
        if not math.isfinite(value):
            return "\u2013"
        if not self._quantity.unit:
            return f"{value:.6g}"
        return f"{value * self.scale.factor:.{self._decimals}f} {self.unit}"

    def limits(self) -> str:
        """Return the limits in words; empty where there are none."""
        low, high = self._quantity.low, self._quantity.high
        number, unit = self.scale.number, f" {self.unit}" if self.unit else ""
        if low is not None and high is not None:
            return f"{number(low)} to {number(high)}{unit}"
        if high is not None:
            return f"at most {number(high)}{unit}"
        return f"at least {number(low)}{unit}" if low is not None else ""


def _inside(value: float, quantity: SoakColumn) -> str:
    """Return whether a value lies in its limits; empty where there are none, or no value."""
    if not math.isfinite(value) or (quantity.low is None and quantity.high is None):
        return ""
    low = -math.inf if quantity.low is None else quantity.low
    high = math.inf if quantity.high is None else quantity.high
    return "inside" if low <= value <= high else "outside"


def label_of(quantity: SoakColumn) -> str:
    """Return the name of a drawn quantity as a heading."""
    if quantity.unit == "degC":
        return "Case temperature"
    return {VOLTAGE: "Supply voltage", CURRENT: "Supply current"}.get(quantity.name, quantity.name)


def _soak(soak: SampledSoak, life: Liveness) -> Plain:
    over = soak.state.ended is not None or life.status is not RunStatus.RUNNING
    planned = soak.state.until
    left = max(planned - soak.lasted, 0.0)
    reported: Plain = {
        "over": over,
        "reported": _soak_words(soak, life),
        "left": "" if over else _roughly(left),
        "ends": "" if over else _end_date(soak),
        "lasted": show_duration(round(soak.lasted)),
        "planned": show_duration(round(planned)),
        "share": None if planned <= 0 else round(min(soak.lasted / planned, 1.0), 4),
        "mode": "",
        "mode_right": True,
        "events": len(soak.state.incidents),
        "tiles": [],
        "rows": [],
    }
    rolled = soak.window
    if rolled is None or not rolled.count:
        return reported
    if rolled.stretches:
        reported["mode"] = soak.mode_name(rolled.stretches[-1].number)
        reported["mode_right"] = reported["mode"] == soak.state.started.mode
    shown_as = [
        ValueFormat(quantity, float(rolled.least[n]), float(rolled.greatest[n]))
        for n, quantity in enumerate(soak.columns)
    ]
    for number in rolled.plotted:
        quantity, value = soak.columns[number], float(rolled.last[number])
        reported["tiles"].append(
            {
                "name": label_of(quantity),
                "value": shown_as[number].number(value),
                "reported": _inside(value, quantity),
                "limits": shown_as[number].limits(),
            }
        )
    reported["rows"] = [
        {
            "name": quantity.name,
            "last": soak.mode_name(float(rolled.last[number]))
            if quantity.name == MODE
            else shown_as[number].number(float(rolled.last[number])),
            "least": shown_as[number].number(float(rolled.least[number])),
            "greatest": shown_as[number].number(float(rolled.greatest[number])),
            "limits": shown_as[number].limits(),
            "reported": _inside(float(rolled.last[number]), quantity),
        }
        for number, quantity in enumerate(soak.columns)
    ]
    reported["at"] = show_duration(round(soak.lasted, 1))
    return reported


def _soak_words(soak: SampledSoak, life: Liveness) -> str:
    lasted = show_duration(round(soak.lasted))
    if soak.state.ended is not None:
        return f"The soak is over: {soak.state.ended.why}, after {lasted}."
    if life.status is not RunStatus.RUNNING:
        return f"The soak stopped after {lasted}. `hilseq resume` can continue it."
    if soak.damaged:
        return "The sample file holds something that is no sample; nothing from there on is shown."
    return f"The soak is running: {lasted} of {show_duration(round(soak.state.until))}."


def _roughly(left: float) -> str:
    """Return a time that is left, to the minute where seconds say nothing any more."""
    whole = round(left) if left < _SECONDS_COUNT else 60 * round(left / 60)
    return show_duration(whole)


def _end_date(soak: SampledSoak) -> str:
    try:
        began = datetime.fromisoformat(soak.state.started.at)
        return date((began + timedelta(seconds=soak.state.until)).isoformat())
    except (ValueError, OverflowError):
        return ""


# -- what happened ---------------------------------------------------------------------------------------


def _events(follower: Follower, record: RunState) -> list[Plain]:
    """Return what happened, the newest first."""
    zero = record.header.t
    reported: list[Plain] = []
    letters = {
        id(event): letter(number)
        for soak in follower.soaks.values()
        for number, event in enumerate(soak.state.events)
    }
    for number, entry in enumerate(follower.journal.entries):
        words = _happened(entry)
        if words is not None:
            reported.append(
                {
                    "n": number,
                    "when": show_duration(max(entry.t - zero, 0.0)),
                    "date": date(entry.at),
                    "slot": getattr(entry, "slot", ""),
                    "letter": letters.get(id(entry), ""),
                    "what": words[0],
                    "text": words[1],
                }
            )
    return reported[: -MOST_EVENTS - 1 : -1]


def _happened(entry: JournalEntry) -> tuple[str, str] | None:
    """Return what an entry says happened, and the words; None for what is reported elsewhere."""
    reported: tuple[str, str] | None = None
    match entry:
        case EventLogged() if entry.what not in _QUIET:
            reported = entry.what, entry.text
        case SamplesMissed():
            reported = entry.what, entry.text
        case SoakEventLogged():
            warm = "" if entry.case is None else f", case {entry.case:.1f} \u00b0C"
            reported = entry.what, f"{entry.text} (at {entry.place}{warm})"
        case SoakGap():
            words = f"no samples for {show_duration(max(entry.end - entry.start, 0.0))}"
            reported = f"gap: {entry.what}", f"{entry.text}; {words}" if entry.text else words
        case SoakStarted():
            reported = "soak", f"began, in mode {entry.mode}"
        case SoakEnded():
            reported = "soak", f"over: {entry.why}"
        case RunResumed():
            reported = "resumed", entry.why
        case MadeSafe() if entry.verified:
            reported = "made safe", f"by the {entry.by}, read back and verified"
        case MadeSafe():
            reported = "NOT VERIFIED SAFE", entry.why
        case _:
            pass
    return reported
