"""The whole bench in words: every slot of a stand with the unit in it, how far it is, and who must do what next.

A slot shows its newest run. What is shown is what its journal and samples say, as plain data.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from hilseq.description.findings import SourcePosition
from hilseq.description.ranges import expand_ranges
from hilseq.description.yaml_text import compose
from hilseq.errors import HilseqError
from hilseq.journal.entries import EventLogged
from hilseq.journal.event_names import (
    ANSWERED,
    ASKED,
    CONDITIONS,
    MODE_REACHED,
    NOT_ANSWERED,
    SUPPLY_OFF,
    SUPPLY_ON,
)
from hilseq.journal.run_state import RunState, RunStatus, UnitState
from hilseq.live.follower import Follower, Found, RunsFolder
from hilseq.live.run_presenter import Plain, run_reported, shown
from hilseq.quantities import show_duration
from hilseq.reports.bench_lines import present_stage, time_left
from hilseq.reports.formatting import finite, scale
from hilseq.reports.visit_lines import coarse
from hilseq.verdicts import Disposition

#: What is done with a unit whose visit is over.
_AFTER = {
    Disposition.SHIP: "take it out",
    Disposition.REPAIR: "take it out and repair what the report names",
    Disposition.INCOMPLETE: "see in the report what was not performed",
    Disposition.STAND_FAULT: "repair the stand, then test the unit again",
}
#: Beside the journal of a run whose unit is no longer in its slot.
TAKEN_OUT = "taken-out.txt"
_FREE = {"code": "waiting", "sign": "\u00b7", "word": "free", "reported": ""}
#: Quantities of a soak that a slot shows: key -> the name of the tile.
_TILES = {"current": "Supply current", "temperature": "Case temperature"}


def note_taken_out(run: Path, by: str) -> None:
    """Take note, in the folder of a run, that its unit was taken out: its slot is free. A full disk keeps nobody."""
    with suppress(OSError):
        (run / TAKEN_OUT).write_text(
            f"{datetime.now(UTC).isoformat(timespec='seconds')} {by}\n", encoding="utf-8"
        )


def slots_of(text: str) -> list[str]:
    """Return the slots that a stand file names; none where it cannot be read."""
    path = Path("stand.yaml")
    try:
        document, _ = expand_ranges(compose(text, path)[0], "stand", path)
    except HilseqError:
        return []
    slots = document.child("slots")
    return [str(name) for name, _ in slots.items()] if isinstance(slots, SourcePosition) else []


def stands_of(folder: RunsFolder) -> list[str]:
    """Return the stands whose runs a folder holds, that of the newest run first."""
    newest = sorted(folder.runs(), key=lambda found: found.began, reverse=True)
    return list(dict.fromkeys(found.stand for found in newest if found.stand))


def bench_reported(folder: RunsFolder, stand: str, slots: Sequence[str] = ()) -> Plain | None:
    """Return what is shown of a stand, its slots in order; None where no slots are given and there is no run of it.

    `slots` are those of its stand file; without them they are read from what its newest run was given.
    """
    newest: dict[str, Found] = {}
    for found in sorted(folder.runs(), key=lambda one: one.began):
        if found.stand == stand:
            newest |= dict.fromkeys(found.slots, found)
    if not newest and not slots:
        return None
    if not slots and newest:
        last = max(newest.values(), key=lambda found: found.began)
        slots = folder.follow(last.folder).look(_slots_of_run, samples=False) or sorted(newest)
    places = [_place(folder, slot, newest.get(slot)) for slot in slots]
    reported: Plain = shown(
        {
            "stand": stand,
            "simulated": any(place["simulated"] for place in places),
            "slots": places,
            "next": [place["next"] for place in places if place["next"]],
            "free": [place["slot"] for place in places if not place["unit"]],
        }
    )
    return reported


def _slots_of_run(follower: Follower) -> list[str]:
    kept = None if follower.record is None else follower.record.given("stand file")
    return [] if kept is None else slots_of(kept.text)


def _place(folder: RunsFolder, slot: str, found: Found | None) -> Plain:
    empty: Plain = {
        "slot": slot,
        "run": "",
        "unit": "",
        "simulated": False,
        "disposition": _FREE,
        "stage": "",
    }
    empty |= {"done": 0, "planned": 0, "left": "", "mode": "", "mode_right": True, "next": ""}
    empty |= dict.fromkeys(_TILES, "")
    if found is None:
        return empty
    follower = folder.follow(found.folder)
    return follower.look(lambda one: _reported(found, one, slot, empty), samples=not found.ended)


def _reported(found: Found, follower: Follower, slot: str, empty: Plain) -> Plain:
    record = follower.record
    reported = run_reported(found, follower)
    unit = next((one for one in reported["units"] if one["slot"] == slot), None)
    running = follower.liveness.status is RunStatus.RUNNING
    if record is None or unit is None or (not running and (found.folder / TAKEN_OUT).is_file()):
        return empty
    state, soak = record.unit(slot), unit["soak"]
    tiles = {} if soak is None else {tile["name"]: tile["value"] for tile in soak["tiles"]}
    left = "" if not running else (soak or {}).get("left") or _left(record, state)
    seen = _last_seen(state) if soak is None else {"mode": soak["mode"]}
    seen |= {key: tiles[name] for key, name in _TILES.items() if name in tiles}
    return {
        "slot": slot,
        "run": found.key,
        "unit": f"{unit['part']} {unit['serial']}",
        "simulated": reported["simulated"],
        "disposition": unit["disposition"],
        "stage": present_stage(state) if running else "",
        "done": unit["done"],
        "planned": unit["planned"],
        "left": left,
        "mode_right": soak is None or soak["mode_right"],
        "next": _next(record, state, follower),
        **{key: seen.get(key, "") if running else "" for key in ("mode", *_TILES)},
    }


def _last_seen(unit: UnitState) -> dict[str, str]:
    """Return the mode, the current and how warm the case is by the last values of a visit."""
    seen: dict[str, str] = {}
    for event in (event for event in unit.events if isinstance(event, EventLogged)):
        if event.what == CONDITIONS and event.text.startswith("case "):
            seen["temperature"] = event.text.removeprefix("case ").partition(",")[0]
        elif event.what == SUPPLY_OFF:
            seen["mode"] = "off"
        elif event.what == SUPPLY_ON:
            seen["mode"] = ""
        elif event.what == MODE_REACHED:
            seen["mode"] = event.text
    amperes = [reading for check in unit.checks for reading in check.readings if reading.unit == "A"]
    if amperes and seen.get("mode") != "off" and (value := finite(amperes[-1].value)) is not None:
        seen["current"] = scale(amperes[-1]).quantity(float(f"{value:.3g}"))
    return seen


def _left(record: RunState, unit: UnitState) -> str:
    """Return about how long the checks ahead will take, as fast as those before."""
    seconds = time_left(sum(check.ended for check in unit.checks), len(unit.checks), record.seconds)
    return "" if seconds is None else f"about {show_duration(coarse(seconds))}"


def _next(record: RunState, unit: UnitState, follower: Follower) -> str:
    """Return what a person does next at the slot; empty while nobody is needed."""
    status = follower.liveness.status
    if status is RunStatus.RUNNING:
        asked = open_question([*record.events, *unit.events])
        return f"slot {unit.slot}: {asked.text}" if asked is not None else ""
    disposition = record.final(unit)
    if record.end is None:
        return f"slot {unit.slot}: the visit broke off; see `hilseq watch {follower.folder.name}`"
    return when_done(unit.slot, disposition)


def when_done(slot: str, disposition: Disposition) -> str:
    """Return what is done with a unit whose visit is over."""
    return f"slot {slot} is done: {str(disposition).upper()}, {_AFTER[disposition]}"


def open_question(events: Sequence[object]) -> EventLogged | None:
    """Return the question to the person at the stand that waits for its answer, None where there is none."""
    asked = None
    for event in events:
        if isinstance(event, EventLogged) and event.what == ASKED:
            asked = event
        elif isinstance(event, EventLogged) and event.what in (ANSWERED, NOT_ANSWERED):
            asked = None
    return asked
