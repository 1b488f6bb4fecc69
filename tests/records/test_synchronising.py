"""Store and forward: what a stand measured reaches the records sooner or later, and exactly once."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from hilseq.errors import UsageError
from hilseq.records.database import Database, open_database
from hilseq.records.importing import ImportOutcome, import_run, keep_rollups
from hilseq.records.synchronising import status, sync
from hilseq.records.tables import runs

MakeRun = Callable[..., Path]


def _runs(run: Path) -> Path:
    return run.parent


def test_everything_that_waits_comes_in_once(url: str, make_run: MakeRun) -> None:
    runs = [make_run(serial=f"SN-{number}") for number in range(3)]
    first = sync(_runs(runs[0]), url)
    assert [imported.outcome for imported in first.imported] == [ImportOutcome.NEW] * 3
    again = sync(_runs(runs[0]), url)
    assert (again.imported, again.unchanged, again.waiting, again.warning) == ([], 3, [], "")


def test_what_was_imported_already_is_not_read_again(
    url: str, make_run: MakeRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = _runs(make_run())
    sync(folder, url)
    monkeypatch.setattr("hilseq.records.synchronising.import_run", lambda *_: pytest.fail("read again"))
    assert sync(folder, url).unchanged == 1


def test_a_run_that_goes_on_is_taken_again(url: str, make_run: MakeRun) -> None:
    run = make_run()
    file = run / "journal.jsonl"
    whole = file.read_bytes()
    file.write_bytes(b"".join(whole.splitlines(keepends=True)[:3]))
    assert sync(_runs(run), url).imported[0].state == "unfinished"
    file.write_bytes(whole)
    assert sync(_runs(run), url).imported[0].outcome is ImportOutcome.GROWN


def test_one_bad_journal_does_not_keep_the_others_out(url: str, make_run: MakeRun) -> None:
    good, bad, empty = make_run(), make_run(serial="SN-2"), make_run(serial="SN-3")
    file = bad / "journal.jsonl"
    file.write_bytes(file.read_bytes().replace(b"passed", b"failed"))
    (empty / "journal.jsonl").write_bytes(b"")
    result = sync(_runs(good), url)
    assert [imported.path.parent for imported in result.imported] == [good]
    assert [path.parent for path, _ in result.refused] == [bad]
    assert "was changed after it was written" in result.refused[0][1]
    assert [path.parent for path in result.empty] == [empty]


def test_records_that_are_away_cost_a_warning_and_a_later_sync(make_run: MakeRun) -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
    result = sync(_runs(make_run()), f"postgresql://lab@127.0.0.1:{port}/records")
    assert len(result.waiting) == 1
    assert "run `hilseq records sync` when it answers again" in result.warning


@pytest.mark.parametrize("missing", ["nowhere"])
def test_a_folder_that_is_not_there_is_a_usage_error(tmp_path: Path, missing: str) -> None:
    with pytest.raises(UsageError, match="is no folder of runs"):
        sync(tmp_path / missing)


def test_status_tells_what_is_in_and_what_waits(url: str, make_run: MakeRun) -> None:
    folder = _runs(make_run())
    sync(folder, url)
    late = make_run(serial="SN-2")
    with open_database(url) as database:
        found = status(database, folder)
    assert (found.rows["runs"], found.states) == (1, {"completed": 1})
    assert [path.parent for path in found.waiting] == [late]


def test_rollups_of_a_soak_are_kept_beside_the_run(
    database: Database, make_run: MakeRun, minutes_of: Callable[..., list[tuple[Any, ...]]]
) -> None:
    """They are replaced minute by minute, and survive that the journal grows."""
    run = make_run()
    file = run / "journal.jsonl"
    whole = file.read_bytes()
    file.write_bytes(b"".join(whole.splitlines(keepends=True)[:3]))
    key = import_run(database, run).key
    rows = [(minute, "current", 60, 0.1, 0.11, 0.12) for minute in range(3)]
    again = [(1, "current", 59, 0.1, 0.105, 0.12), (0, "case", 60, 30.0, 31.0, 32.0)]
    with database.writing() as connection:
        run_id = connection.execute(sa.select(runs.c.id)).scalar_one()
        keep_rollups(connection, run_id, rows)
        keep_rollups(connection, run_id, again)
    file.write_bytes(whole)
    assert import_run(database, run).outcome is ImportOutcome.GROWN
    kept = minutes_of(database, key)
    assert [(row[1], row[0], row[2]) for row in kept] == [
        ("case", 0, 60), ("current", 0, 60), ("current", 1, 59), ("current", 2, 60),
    ]  # fmt: skip
    assert len(minutes_of(database, key, "case")) == 1


def test_a_first_line_longer_than_a_block_is_no_trouble(url: str, make_run: MakeRun) -> None:
    """The first line holds whole files: stand file, profiles, sequences."""
    run = make_run(intake={"complaint": "x" * 200_000})
    sync(_runs(run), url)
    assert sync(_runs(run), url).unchanged == 1
