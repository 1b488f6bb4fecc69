"""One journal into the records: in any order, as often as one likes, several at once.

A run is known by the first link of its chain. A journal that was imported while it was still short is
replaced when more of it comes; the same journal again, or an older copy, changes nothing but what its samples
are worth by now. Two copies that begin alike and go different ways cannot both be true: the second is refused.

Whether the samples behind a visit are still those that were sealed: what a sync looks at, and what follows of it.

A journal proves itself, the samples of a soak lie beside it and may be damaged, swapped or lost at any time
later. Each folder in which a run was found is one copy. A first look takes names, sizes and dates of its sample
files; only where these are not what they were is a file read again and compared with its seal. A visit is worth
what its best copy is: a unit that shipped is incomplete as soon as no copy has its samples.

The minutes of a soak: of each signal how many samples, min, mean and max, from the sample file of the run.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.analysis.decimation import decimate
from hilseq.journal.reader import find_journal
from hilseq.journal.run_state import RunState, RunStatus
from hilseq.journal.samples import read_samples
from hilseq.journal.seals import sample_file
from hilseq.journal.signatures import against, read_signatures
from hilseq.records import tables
from hilseq.records.database import Database, JournalRefused
from hilseq.records.heads import SeenHead, add_heads, heads_of, outweighs
from hilseq.records.rows import TORN, RunRows, VisitRows, read_rows, worth
from hilseq.records.tables import (
    copies,
    ids_of,
    insert_for,
    name,
    runs,
    sanitize,
    soak_minutes,
    visits,
)

_SAMPLES = "samples-*.bin"


def place_of(path: Path) -> str:
    """Return the folder of a run, given as that or as its journal, in words that any database keeps.

    Raises UsageError when there is no journal.
    """
    return os.fsencode(find_journal(path).parent.resolve()).decode("utf-8", "backslashreplace")


def look_at(folder: str | Path) -> str:
    """Return names, sizes and dates of the sample files of a folder; nothing of them is read.

    The date of the last change to name or content (ctime) is among them: a copy can set the other back.
    """
    seen = []
    for file in sorted(Path(folder).glob(_SAMPLES)):
        try:
            status = file.stat()
        except OSError:
            continue
        seen.append([file.name, status.st_size, status.st_mtime_ns, status.st_ctime_ns])
    return json.dumps(seen)


def keep_copy(connection: Connection, run_id: int, place: str, look: str, wrong: Mapping[str, str]) -> None:
    """Keep how a copy of a run was found; `wrong` is what is wrong with its samples, by slot."""
    insert = insert_for(connection, copies)
    insert = insert.on_conflict_do_update(
        index_elements=["run_id", "place"],
        set_={column: insert.excluded[column] for column in ("look", "wrong")},
    )
    values = {"run_id": run_id, "place": place, "look": look, "wrong": json.dumps(dict(wrong))}
    connection.execute(insert, values)


def forget_copies(connection: Connection, run_id: int) -> None:
    """Forget the copies of a run, whose journal has grown: they have not the samples of all of it."""
    connection.execute(sa.delete(copies).where(copies.c.run_id == run_id))


def damage_of(connection: Connection, run_id: int, place: str, wrong: Mapping[str, str]) -> dict[str, str]:
    """Return by slot what is wrong with the samples in every copy, given what is in the one at `place`.

    Another copy proves them only while it is here and looks as it did; else it is forgotten, so that the
    next sync that comes upon it reads it again.
    """
    damage = dict(wrong)
    if not damage:
        return damage
    others = sa.select(copies.c.place, copies.c.look, copies.c.wrong).where(
        copies.c.run_id == run_id, copies.c.place != place
    )
    for other in connection.execute(others).all():
        if look_at(other.place) != other.look:
            gone = (copies.c.run_id == run_id) & (copies.c.place == other.place)
            connection.execute(sa.delete(copies).where(gone))
            continue
        theirs = json.loads(other.wrong)
        damage = {slot: words for slot, words in damage.items() if slot in theirs}
    return damage


def keep_worth(connection: Connection, run_id: int, rows: RunRows, damage: Mapping[str, str]) -> bool:
    """Let the visits of a run be worth what is left of their samples; tell whether that is anything new."""
    known = {
        row.slot: row.damage
        for row in connection.execute(
            sa.select(visits.c.slot, visits.c.damage).where(visits.c.run_id == run_id)
        )
    }
    changed = False
    for unit in rows.record.units:
        unit.damage = damage.get(unit.slot, "")
    for unit in rows.record.units:
        slot, reported = name(unit.slot), sanitize(unit.damage)
        if known[slot] == reported:
            continue
        changed = True
        this = (visits.c.run_id == run_id) & (visits.c.slot == slot)
        connection.execute(sa.update(visits).where(this).values(damage=reported, **worth(rows.record, unit)))
    if changed:
        code = rows.record.final_exit_code
        connection.execute(sa.update(runs).where(runs.c.id == run_id).values(exit_code=code))
    return changed


#: (minute since the soak's start, signal, number of samples, min, mean, max)
Rollup = tuple[int, str, int, float, float, float]
_MINUTE = 60.0
_COLUMNS = ("minute", "signal", "count", "min", "mean", "max")
_BATCH = 5000


def rollups_in(run: RunState, folder: Path, wrong: Mapping[str, str]) -> list[Rollup]:
    """Return the minutes of every soak of a run; `wrong` is what is wrong with its sample files, by slot.

    Only samples that the journal has sealed count, and only where the seal still fits: a file that was
    changed afterwards gives nothing, and neither does one that this copy of the run does not have.
    """
    rows: list[Rollup] = []
    for unit in run.units:
        soak = unit.soak
        if soak is not None and soak.sealed is not None and unit.slot not in wrong:
            prefix = f"{unit.slot}: " if len(run.units) > 1 else ""
            rows += _minutes(sample_file(folder, soak), soak.sealed.count, soak.started.zero, prefix)
    return rows


def _minutes(file: Path, count: int, zero: float, prefix: str) -> Iterator[Rollup]:
    samples = read_samples(file)
    times = samples.times[:count] - zero
    if not times.size or times[-1] < 0:
        return
    minutes = int(times[-1] // _MINUTE) + 1
    for number, column in enumerate(samples.columns):
        buckets = decimate(times, samples.values[:count, number], (0.0, minutes * _MINUTE), minutes)
        parts = (buckets.count, buckets.low, buckets.mean, buckets.high)
        for minute, (taken, *values) in enumerate(zip(*(part.tolist() for part in parts), strict=True)):
            if taken:
                yield (minute, f"{prefix}{column}", int(taken), *values)


def keep_rollups(connection: Connection, run_id: int, rows: Iterable[Rollup]) -> int:
    """Keep the roll-ups of a run by its id, in the transaction of the connection."""
    insert = insert_for(connection, soak_minutes)
    insert = insert.on_conflict_do_update(
        index_elements=["run_id", "signal", "minute"],
        set_={column: insert.excluded[column] for column in ("count", "min", "mean", "max")},
    )
    remaining, given = iter(rows), 0
    while batch := list(islice(remaining, _BATCH)):
        values = [dict(zip(_COLUMNS, row, strict=True)) for row in batch]
        connection.execute(
            insert, [{**row, "signal": name(row["signal"]), "run_id": run_id} for row in values]
        )
        given += len(batch)
    return given


def has_rollups(connection: Connection, run_id: int) -> bool:
    """Return whether a run has any."""
    return (
        connection.execute(
            sa.select(soak_minutes.c.run_id).where(soak_minutes.c.run_id == run_id).limit(1)
        ).first()
        is not None
    )


_SERIES_KEY = ("part", "name", "place", "stage", "kind", "unit")


class ImportOutcome(StrEnum):
    """What an import did."""

    NEW = "new"
    GROWN = "grown"
    UNCHANGED = "unchanged"
    #: The journal is known; the samples behind it are not what they were when it came in.
    CHANGED = "changed"
    #: Another journal of the run was known, which no known stand had signed, and this one is signed by one.
    REPLACED = "replaced"


@dataclass(frozen=True, slots=True)
class Imported:
    """One journal and the outcome of it; `state` is a word of `RunStatus`.

    `samples_fault` says what is wrong with the samples of a soak; empty when they are those that were sealed.
    `other` tells of another journal of the run whose place this one has taken, or is empty.
    """

    path: Path
    run: str
    key: str
    outcome: ImportOutcome
    state: str
    state_text: str
    samples_fault: str = ""
    other: str = ""


def import_run(database: Database, path: Path) -> Imported:
    """Import the journal of a run given as its folder or file.

    Raises UsageError (no journal), NothingToImport, JournalRefused, RecordsUnreachable.
    """
    place = place_of(path)
    # Before they are read: a change meanwhile is seen the next time.
    look = look_at(find_journal(path).parent)
    rows = read_rows(path)
    with database.writing() as connection:
        replaces = _witness(connection, rows, path)
        run_id, outcome, other = _store(connection, rows, path, replaces=replaces)
        wrong = _store_samples(connection, run_id, rows, outcome)
        if _is_whole_copy(connection, run_id, rows):
            keep_copy(connection, run_id, place, look, rows.wrong)
            damage = damage_of(connection, run_id, place, rows.wrong)
            changed = keep_worth(connection, run_id, rows, damage)
            if changed and outcome is ImportOutcome.UNCHANGED:
                outcome = ImportOutcome.CHANGED
            if rows.wrong and not damage:
                wrong += "; another copy of the run has them whole"
    run = rows.run
    return Imported(path, run["run"], run["key"], outcome, run["state"], run["state_text"], wrong, other)


def _witness(connection: Connection, rows: RunRows, path: Path) -> bool:
    """Keep what is seen of a journal: its end, and every head that its stand has signed.

    Return whether something else was seen of it before, and a known stand has signed this one to its end, and not the
    other. Raises JournalRefused when something else was seen that is not outweighed so.
    """
    key, links = rows.links[0], rows.links
    signatures = read_signatures(rows.journal.path.parent)
    last = signatures.heads[-1] if signatures.heads else None
    others = [head for head in heads_of(connection, key) if not head.fits(links)]
    replaces = (
        bool(others)
        and last is not None
        and (last.final, last.lines) == (True, len(links))
        and not against(signatures, links, rows.record.run, rows.record.stand)
        and outweighs([SeenHead(last.lines, last.chain, last.key)], others, rows.record.stand)
    )
    forked = [head for head in others if head.lines <= len(links)]
    if forked and not replaces:
        raise _fork(rows, forked[0].lines, path)
    signed = {
        head.lines: head.key
        for head in signatures.heads
        if 0 < head.lines <= len(links) and links[head.lines - 1] == head.chain and head.holds
    }
    found = [
        {
            "run_key": key,
            "lines": lines,
            "chain": links[lines - 1],
            "stand": rows.stand,
            "run": rows.run["run"],
            "signed_by": signed.get(lines, ""),
        }
        for lines in sorted({len(links), *signed})
    ]
    add_heads(connection, found)
    return replaces


def _is_whole_copy(connection: Connection, run_id: int, rows: RunRows) -> bool:
    """Return whether a journal says all that the records have of its run: a shorter one seals less."""
    kept = connection.execute(sa.select(tables.runs.c.chain).where(tables.runs.c.id == run_id)).scalar_one()
    return bool(kept == rows.run["chain"])


def _store_samples(connection: Connection, run_id: int, rows: RunRows, outcome: ImportOutcome) -> str:
    """Keep the minutes of a soak; return what is wrong with its samples.

    A copy without its sample files may have come first: then those of this one are taken.
    """
    then = "the records have no minutes of it from here"
    if outcome is ImportOutcome.UNCHANGED and (
        not rows.has_sealed_samples or has_rollups(connection, run_id)
    ):
        then = "the records keep the minutes that they have"
    else:
        keep_rollups(connection, run_id, rollups_in(rows.record, rows.journal.path.parent, rows.wrong))
    return "; ".join(f"{why}; {then}" for why in rows.wrong.values())


def _store(
    connection: Connection, rows: RunRows, path: Path, *, replaces: bool
) -> tuple[int, ImportOutcome, str]:
    """Keep a run; return its id, the outcome, and in words whose place it has taken. Raises JournalRefused."""
    stand_id = ids_of(connection, tables.stands, ("name",), [{"name": rows.stand}])[rows.stand,]
    values = {**rows.run, "stand_id": stand_id}
    inserted = connection.execute(
        insert_for(connection, tables.runs)
        .values(values)
        .on_conflict_do_nothing(index_elements=["key"])
        .returning(tables.runs.c.id)
    ).all()
    kept = connection.execute(
        sa.select(
            tables.runs.c.id,
            tables.runs.c.lines,
            tables.runs.c.chain,
            tables.runs.c.state,
            tables.runs.c.state_text,
        )
        .where(tables.runs.c.key == rows.run["key"])
        .with_for_update()
    ).one()
    outcome, other = ImportOutcome.NEW, ""
    if not inserted:
        if replaces and kept.chain != rows.run["chain"]:
            outcome, other = ImportOutcome.REPLACED, _take_out(connection, kept.id)
        else:
            if len(rows.links) >= kept.lines and rows.links[kept.lines - 1] != kept.chain:
                raise _fork(rows, kept.lines, path)
            if _worth(kept._asdict()) >= _worth(rows.run):
                return kept.id, ImportOutcome.UNCHANGED, ""
            outcome = ImportOutcome.GROWN
        _clear(connection, kept.id)
        forget_copies(connection, kept.id)
        connection.execute(sa.update(tables.runs).where(tables.runs.c.id == kept.id).values(values))
    _store_children(connection, kept.id, stand_id, rows)
    return kept.id, outcome, other


def _worth(run: Mapping[str, Any]) -> tuple[int, int, bool]:
    """Of two copies of one journal the longer counts; of two equally long ones the sounder."""
    return run["lines"], -list(RunStatus).index(RunStatus(run["state"])), run["state_text"] != TORN


def _fork(rows: RunRows, lines: int, path: Path) -> JournalRefused:
    return JournalRefused(
        f"{path} begins like run {rows.run['run']!r} in the records but says something else by line {lines}: one of "
        "the two was changed; the records keep what they have (of two, one that a known stand has signed counts)"
    )


def _take_out(connection: Connection, run_id: int) -> str:
    """Take the minutes of another journal's samples out of the records; say in words where that journal was."""
    places = connection.execute(sa.select(copies.c.place).where(copies.c.run_id == run_id)).scalars()
    connection.execute(sa.delete(soak_minutes).where(soak_minutes.c.run_id == run_id))
    return (
        f"the records had another journal of this run, from {', '.join(places) or 'a place that is not kept'}, which "
        "no stand that is known here has signed; this one is signed, and has taken its place. One of the two was "
        "written anew: find out who did, and what was decided by it"
    )


def _clear(connection: Connection, run_id: int) -> None:
    """Forget what a run's journal said; the roll-ups of its samples come from elsewhere and stay."""
    for table in (tables.visits, tables.events, tables.uses):
        connection.execute(sa.delete(table).where(table.c.run_id == run_id))


def _store_children(connection: Connection, run_id: int, stand_id: int, rows: RunRows) -> None:
    unit_ids = ids_of(connection, tables.units, ("part", "serial"), [visit.unit for visit in rows.visits])
    _store_instruments(connection, run_id, stand_id, rows)
    series = ids_of(
        connection,
        tables.series,
        _SERIES_KEY,
        [series for visit in rows.visits for check in visit.checks for series, _ in check.readings],
    )
    for visit in rows.visits:
        unit_id = unit_ids[visit.unit["part"], visit.unit["serial"]]
        values = {**visit.visit, "run_id": run_id, "unit_id": unit_id}
        visit_id = _insert_one(connection, tables.visits, values)
        _store_visit(connection, visit_id, visit, series)
    _insert_all(connection, tables.events, [{**event, "run_id": run_id} for event in rows.events])


def _store_visit(
    connection: Connection, visit_id: int, visit: VisitRows, series: dict[tuple[Any, ...], int]
) -> None:
    if visit.checks:
        numbers = connection.execute(
            sa.insert(tables.checks).returning(tables.checks.c.id, sort_by_parameter_order=True),
            [{**rows.check, "visit_id": visit_id} for rows in visit.checks],
        ).scalars()
        readings = [
            {
                **reading,
                "check_id": check_id,
                "visit_id": visit_id,
                "series_id": series[tuple(key[column] for column in _SERIES_KEY)],
            }
            for check_id, rows in zip(numbers, visit.checks, strict=True)
            for key, reading in rows.readings
        ]
        _insert_all(connection, tables.readings, readings)
    for table, rows_of_visit in ((tables.findings, visit.findings), (tables.exposures, visit.exposures)):
        _insert_all(connection, table, [{**row, "visit_id": visit_id} for row in rows_of_visit])


def _store_instruments(connection: Connection, run_id: int, stand_id: int, rows: RunRows) -> None:
    key = ("stand_id", "name", "identity")
    owned = [
        ({**instrument, "stand_id": stand_id}, cal, resource)
        for instrument, cal, resource in rows.instruments
    ]
    instrument_ids = ids_of(connection, tables.instruments, key, [instrument for instrument, _, _ in owned])
    noted = [
        (
            {**calibration, "instrument_id": instrument_ids[tuple(instrument[column] for column in key)]},
            resource,
        )
        for instrument, calibration, resource in owned
    ]
    cal_key = ("instrument_id", "certificate", "due")
    calibration_ids = ids_of(
        connection, tables.calibrations, cal_key, [calibration for calibration, _ in noted]
    )
    used = {calibration_ids[tuple(cal[column] for column in cal_key)]: resource for cal, resource in noted}
    _insert_all(
        connection,
        tables.uses,
        [{"run_id": run_id, "calibration_id": number, "resource": used[number]} for number in used],
    )


def _insert_one(connection: Connection, table: sa.Table, values: dict[str, Any]) -> int:
    return int(connection.execute(sa.insert(table).values(values).returning(table.c.id)).scalar_one())


def _insert_all(connection: Connection, table: sa.Table, rows: list[dict[str, Any]]) -> None:
    if rows:
        connection.execute(sa.insert(table), rows)
