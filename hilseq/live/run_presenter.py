"""A run in words: what pages and streams say of it, as plain data whose every text is fit to be shown."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

from hilseq.journal import kinds
from hilseq.live.folder import Found
from hilseq.live.follower import Follower
from hilseq.live.run_state import GOES_ON, Life, State
from hilseq.live.run_state import SIGNS as LIFE_SIGNS
from hilseq.live.soaking import CURRENT, MODE, VOLTAGE, Quantity, Soaking, seconds
from hilseq.quantities import show_duration
from hilseq.reports.formatting import (
    DAMAGED,
    DISPOSITION_SIGNS,
    MEANINGS,
    SIGNS,
    count,
    date,
    finite,
    scale_of,
    worst,
)
from hilseq.reports.record import Check, RunRecord, UnitRecord
from hilseq.reports.sanitize import sanitize
from hilseq.reports.soak_plots import letter
from hilseq.verdicts import CheckVerdict, Disposition

Plain = dict[str, Any]

#: Happenings and findings shown; the report has all of them.
MOST_EVENTS, MOST_FINDINGS = 60, 12
#: Below so many seconds left, seconds are told.
_SECONDS_COUNT = 600.0
#: Events that say what every check does, or what the report says better.
_QUIET = frozenset({"mode", "proof", "safe state"})


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


def run_told(found: Found, follower: Follower) -> Plain:
    """Return all that is said of a run; to be called inside the follower's `look`.

    A journal that no run writes takes no page with it: it is said what cannot be told.
    """
    life, record = follower.life, follower.record
    try:
        return _told(found, follower, life, record)
    except (TypeError, ValueError, KeyError, AttributeError, OverflowError) as error:
        follower.refused = f"the journal holds an entry that no run writes ({type(error).__name__}: {error})"
        return _told(found, follower, life, None)


def _told(found: Found, follower: Follower, life: Life, record: RunRecord | None) -> Plain:
    told: Plain = {
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
        if life.state is State.RUNNING and not follower.refused:
            told["notice"] = "The run has not written its first line yet."
        return _checked(told)
    running = life.state is State.RUNNING
    if running and life.told == GOES_ON:
        told["state"]["told"] = f"since {date(record.started)}"
    told |= {
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
    return _checked(told)


def _checked(told: Plain) -> Plain:
    result: Plain = shown(told)
    return result


def _state(life: Life) -> Plain:
    return {"code": str(life.state), "sign": LIFE_SIGNS[life.state], "told": life.told}


def _said(code: str, sign: str, word: str, told: str = "") -> Plain:
    return {"code": code.replace(" ", "-"), "sign": sign, "word": word, "told": told}


def _disposition(record: RunRecord, unit: UnitRecord, life: Life, soak: Soaking | None) -> Plain:
    """Return what may be said of the unit now. A run that goes on has shipped nothing."""
    if life.state is State.RUNNING:
        failed = sum(check.verdict is CheckVerdict.FAILED for check in unit.checks)
        broken = sum(check.verdict is CheckVerdict.STAND_FAULT for check in unit.checks)
        if broken:
            return _said(
                "stand-fault", "!", "stand fault so far", f"the stand failed in {count(broken, 'check')}"
            )
        if failed:
            return _said("repair", "\u2717", "faults found so far", f"{count(failed, 'check')} failed")
        happened = 0 if soak is None else len({event.get("number") for event in soak.events})
        found = f"{count(happened, 'event')} in the soak so far" if happened else "no fault found so far"
        return _said("under-test", "\u25b6", "under test", found)
    final = record.final(unit)
    if not record.whole and final is Disposition.INCOMPLETE:
        return _said(
            str(final),
            DISPOSITION_SIGNS[final],
            str(final),
            "The run did not come to its end: the unit may not ship.",
        )
    meaning = DAMAGED if unit.damage and final is Disposition.INCOMPLETE else MEANINGS[final]
    return _said(str(final), DISPOSITION_SIGNS[final], str(final), meaning)


def _unit(record: RunRecord, unit: UnitRecord, life: Life, soak: Soaking | None) -> Plain:
    done = sum(_is_done(check) for check in unit.checks)
    now = [check for check in unit.checks if check.started and not _is_done(check)]
    findings = unit.findings
    running = life.state is State.RUNNING
    return {
        "slot": unit.slot,
        "part": unit.part,
        "serial": unit.serial,
        "description": unit.description,
        "disposition": _disposition(record, unit, life, soak),
        "done": done,
        "planned": len(unit.checks),
        "now": f"{now[-1].stage}: {now[-1].title} ({now[-1].place})" if now and running else "",
        "stages": [_stage(name, checks, running=running) for name, checks in _by_stage(unit.checks)],
        "findings": [{"place": one.place, "what": one.what} for one in findings[:MOST_FINDINGS]],
        "more_findings": max(len(findings) - MOST_FINDINGS, 0),
        "soak": None if soak is None else _soak(soak, life),
    }


def _is_done(check: Check) -> bool:
    return check.verdict is not CheckVerdict.NOT_PERFORMED or not check.why.startswith("the run ended ")


def _by_stage(checks: list[Check]) -> Iterable[tuple[str, list[Check]]]:
    order = {name: number for number, name in reversed(list(enumerate(c.stage for c in checks)))}
    ordered = sorted(checks, key=lambda check: order[check.stage])
    return ((name, list(group)) for name, group in groupby(ordered, key=lambda check: check.stage))


def _stage(name: str, checks: list[Check], *, running: bool) -> Plain:
    done = [check for check in checks if not running or _is_done(check)]
    under_way = sum(check.started for check in checks if running and not _is_done(check))
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
    return said | {"name": name, "told": ", ".join(filter(None, parts))}


# -- the soak --------------------------------------------------------------------------------------------


class Shown:
    """How the values of one quantity are written: one unit and as many decimals for all of them."""

    def __init__(self, quantity: Quantity, least: float, greatest: float) -> None:
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


def _inside(value: float, quantity: Quantity) -> str:
    """Return whether a value lies in its limits; empty where there are none, or no value."""
    if not math.isfinite(value) or (quantity.low is None and quantity.high is None):
        return ""
    low = -math.inf if quantity.low is None else quantity.low
    high = math.inf if quantity.high is None else quantity.high
    return "inside" if low <= value <= high else "outside"


def label_of(quantity: Quantity) -> str:
    """Return the name of a drawn quantity as a heading."""
    if quantity.unit == "degC":
        return "Case temperature"
    return {VOLTAGE: "Supply voltage", CURRENT: "Supply current"}.get(quantity.name, quantity.name)


def _soak(soak: Soaking, life: Life) -> Plain:
    over = soak.ended is not None or life.state is not State.RUNNING
    left = None if soak.planned_end is None else max(soak.planned_end - soak.lasted, 0.0)
    planned = soak.planned_end or soak.planned
    told: Plain = {
        "over": over,
        "told": _soak_words(soak, life),
        "left": "" if over or left is None else _roughly(left),
        "ends": "" if over or left is None else _end_date(soak),
        "lasted": show_duration(round(soak.lasted)),
        "planned": "" if planned is None else show_duration(round(planned)),
        "share": None if not planned else round(min(soak.lasted / planned, 1.0), 4),
        "mode": "",
        "mode_right": True,
        "events": len({entry.get("number") for entry in soak.events}),
        "tiles": [],
        "rows": [],
    }
    rolled = soak.rolled
    if rolled is None or not rolled.count:
        return told
    if rolled.stretches:
        told["mode"] = soak.mode_name(rolled.stretches[-1].number)
        told["mode_right"] = not soak.mode or told["mode"] == soak.mode
    shown_as = [
        Shown(quantity, float(rolled.least[n]), float(rolled.greatest[n]))
        for n, quantity in enumerate(soak.quantities)
    ]
    for number in rolled.plotted:
        quantity, value = soak.quantities[number], float(rolled.last[number])
        told["tiles"].append(
            {
                "name": label_of(quantity),
                "value": shown_as[number].number(value),
                "told": _inside(value, quantity),
                "limits": shown_as[number].limits(),
            }
        )
    told["rows"] = [
        {
            "name": quantity.name,
            "last": soak.mode_name(float(rolled.last[number]))
            if quantity.name == MODE
            else shown_as[number].number(float(rolled.last[number])),
            "least": shown_as[number].number(float(rolled.least[number])),
            "greatest": shown_as[number].number(float(rolled.greatest[number])),
            "limits": shown_as[number].limits(),
            "told": _inside(float(rolled.last[number]), quantity),
        }
        for number, quantity in enumerate(soak.quantities)
    ]
    told["at"] = show_duration(round(soak.lasted, 1))
    return told


def _soak_words(soak: Soaking, life: Life) -> str:
    lasted = show_duration(round(soak.lasted))
    if soak.ended is not None:
        return f"The soak is over: {soak.ended.get('why')}, after {lasted}."
    if life.state is not State.RUNNING:
        return f"The soak broke off after {lasted}. `hilseq resume` can continue it."
    if soak.damaged:
        return "The sample file holds something that is no sample; nothing from there on is shown."
    of = "" if soak.planned_end is None else f" of {show_duration(round(soak.planned_end))}"
    return f"The soak goes on: {lasted}{of}."


def _roughly(left: float) -> str:
    """Return a time that is left, to the minute where seconds say nothing any more."""
    whole = round(left) if left < _SECONDS_COUNT else 60 * round(left / 60)
    return show_duration(whole)


def _end_date(soak: Soaking) -> str:
    try:
        began = datetime.fromisoformat(soak.began_at)
        return date((began + timedelta(seconds=soak.planned_end or 0.0)).isoformat())
    except (ValueError, OverflowError):
        return ""


# -- what happened ---------------------------------------------------------------------------------------


def _events(follower: Follower, record: RunRecord) -> list[Plain]:
    """Return what happened, the newest first."""
    zero = float(record.header["t"])
    told: list[Plain] = []
    letters = {
        id(event): letter(number)
        for soak in follower.soaks.values()
        for number, event in enumerate(soak.events)
    }
    for number, entry in enumerate(follower.journal.entries):
        words = _happened(entry)
        if words is not None:
            since = (seconds(entry.get("t")) or 0.0) - zero
            told.append(
                {
                    "n": number,
                    "when": show_duration(max(since, 0.0)),
                    "date": date(str(entry.get("at"))),
                    "slot": str(entry.get("slot") or ""),
                    "letter": letters.get(id(entry), ""),
                    "what": words[0],
                    "text": words[1],
                }
            )
    return told[: -MOST_EVENTS - 1 : -1]


def _happened(entry: Mapping[str, Any]) -> tuple[str, str] | None:
    """Return what an entry says happened, and the words; None for what is told elsewhere."""
    what, text = str(entry.get("what")), str(entry.get("text") or "")
    told: tuple[str, str] | None = None
    match entry["kind"]:
        case kinds.EVENT if what not in _QUIET:
            told = what, text
        case kinds.SOAK_EVENT:
            case = finite(entry.get("case"))
            warm = "" if case is None else f", case {case:.1f} \u00b0C"
            told = what, f"{text} (at {entry.get('place')}{warm})"
        case kinds.SOAK_GAP:
            start, end = seconds(entry.get("start")) or 0.0, seconds(entry.get("end")) or 0.0
            words = f"no samples for {show_duration(max(end - start, 0.0))}"
            told = f"gap: {what}", f"{text}; {words}" if text else words
        case kinds.SOAK_STARTED:
            told = "soak", f"began, in mode {entry.get('mode')}"
        case kinds.SOAK_ENDED:
            told = "soak", f"over: {entry.get('why')}"
        case kinds.RUN_RESUMED:
            told = "resumed", str(entry.get("why"))
        case kinds.MADE_SAFE if entry.get("verified"):
            told = "made safe", f"by the {entry.get('by')}, read back and verified"
        case kinds.MADE_SAFE:
            told = "NOT VERIFIED SAFE", str(entry.get("why"))
        case _:
            pass
    return told
