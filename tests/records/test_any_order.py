"""Any order and any repetition of imports gives the same records."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hilseq.records.database import Database, open_database
from hilseq.records.importing import import_run
from hilseq.records.tables import metadata

COPIES = 7


def reported(database: Database) -> dict[str, list[tuple[Any, ...]]]:
    """Return all rows with the numbers that join them replaced by what they stand for."""
    tables = metadata.tables
    with database.reading() as connection:
        rows = {name: connection.execute(sa.select(table)).mappings().all() for name, table in tables.items()}
    names: dict[tuple[str, int], Any] = {}

    def plain(table: str, row: Any) -> tuple[Any, ...]:
        cells = []
        for column in tables[table].columns:
            if column.name == "id":
                continue
            target = next((key.column.table.name for key in column.foreign_keys), None)
            target = "visits" if column.name == "visit_id" else target
            cells.append(names[target, row[column.name]] if target else row[column.name])
        return tuple(cells)

    for table in metadata.sorted_tables:
        for row in rows[table.name]:
            if "id" in row:
                names[table.name, row["id"]] = plain(table.name, row)
    del rows["heads"]  # what was seen of a journal is kept for good, whatever is imported
    return {name: sorted((plain(name, row) for row in found), key=repr) for name, found in rows.items()}


@pytest.fixture(scope="module", params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def shared(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    url = (
        str(tmp_path_factory.mktemp("any") / "records.sqlite")
        if request.param == "sqlite"
        else request.getfixturevalue("postgres").url("any_order")
    )
    with open_database(url) as database:
        yield database


@pytest.fixture(scope="module")
def copies(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> list[Path]:
    """Give journals that overlap in every way: stands, units, readings; and copies cut, torn and spoilt."""
    kit = request.getfixturevalue("kit")
    root = tmp_path_factory.mktemp("copies")
    check = kit["Checked"](readings=(kit["Measured"]("idle current", 0.11), kit["Measured"]("mode", "held")))
    bad = kit["Checked"](name="t.py::test_x[q05]", verdict="failed", why="stuck", places=("q05",))
    supply = {"name": "supply", "what": "", "resource": "", "identity": "A", "certificate": "C", "due": ""}
    stories = [
        kit["Story"](stand="north", checks=[check, bad], instruments=[supply], events=[("left", "a", "b")]),
        kit["Story"](stand="south", checks=[check], instruments=[supply]),
        kit["Story"](stand="north", serial="SN-2", more_units={"right": ("RH-16", "SN-1")}, checks=[check]),
    ]
    runs = [kit["tell_story"](root / f"run-{n}", story) for n, story in enumerate(stories)]
    lines = (runs[0] / "journal.jsonl").read_bytes().splitlines(keepends=True)
    for name, content in {
        "begun": lines[:3],
        "cut": lines[:7],
        "torn": [*lines[:7], lines[7][:20]],
        "spoilt": [*lines[:7], b"\xff\n", *lines[8:]],
    }.items():
        (root / name).mkdir()
        (root / name / "journal.jsonl").write_bytes(b"".join(content))
        runs.append(root / name)
    assert len(runs) == COPIES
    return runs


def _emptied(database: Database) -> None:
    with database.writing() as connection:
        for table in reversed([table for table in metadata.sorted_tables if table.name != "heads"]):
            connection.execute(sa.delete(table))


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], database=None
)
@given(
    order=st.permutations(range(COPIES)).flatmap(
        lambda once: st.lists(st.integers(0, COPIES - 1), max_size=6).map(lambda more: [*more, *once])
    )
)
def test_the_order_of_imports_leaves_no_trace(shared: Database, copies: list[Path], order: list[int]) -> None:
    _emptied(shared)
    for run in copies:
        import_run(shared, run)
    expected = reported(shared)
    assert len(expected["runs"]) == 3
    _emptied(shared)
    for number in order:
        import_run(shared, copies[number])
    assert reported(shared) == expected


def test_of_equally_long_copies_the_soundest_counts(shared: Database, copies: list[Path]) -> None:
    cut, torn, spoilt = copies[4:]
    for order in itertools.permutations([cut, torn, spoilt]):
        _emptied(shared)
        for run in order:
            import_run(shared, run)
        with shared.reading() as connection:
            assert (
                connection.execute(sa.text("SELECT state_text FROM runs"))
                .scalar_one()
                .startswith("the journal ends")
            )
