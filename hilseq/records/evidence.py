"""Whether the samples behind a visit are still those that were sealed: what a sync looks at, and what follows of it.

A journal vouches for itself, the samples of a soak lie beside it and may be damaged, swapped or lost at any time
later. Each folder in which a run was found is one copy. A first look takes names, sizes and dates of its sample
files; only where these are not what they were is a file read again and compared with its seal. A visit is worth
what its best copy is: a unit that shipped is incomplete as soon as no copy has its samples.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from hilseq.journal.reader import find_journal
from hilseq.records.rows import RunRows
from hilseq.records.tables import copies, insert_for, runs, visits
from hilseq.records.text import name, sanitize

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

    Another copy vouches for them only while it is here and looks as it did; else it is forgotten, so that the
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
        slot, told = name(unit.slot), sanitize(unit.damage)
        if known[slot] == told:
            continue
        changed = True
        this = (visits.c.run_id == run_id) & (visits.c.slot == slot)
        connection.execute(sa.update(visits).where(this).values(damage=told, **rows.worth(unit)))
    if changed:
        code = rows.record.final_exit_code
        connection.execute(sa.update(runs).where(runs.c.id == run_id).values(exit_code=code))
    return changed
