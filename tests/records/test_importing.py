"""Journals into the records: any order, any repetition, several at once, and never a changed one."""

from __future__ import annotations

import json
import random
import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from hilseq.errors import UsageError
from hilseq.records.database import Database, JournalRefused, NothingToImport, open_database
from hilseq.records.importing import ImportOutcome, import_run
from hilseq.records.tables import metadata

MakeRun = Callable[..., Path]


def everything(database: Database) -> dict[str, Any]:
    """Return how many rows each table has."""
    with database.reading() as connection:
        return {
            table.name: connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
            for table in metadata.sorted_tables
        }


def test_a_run_comes_in_with_all_it_says(
    database: Database, make_run: MakeRun, checked: Any, measured: Any
) -> None:
    run = make_run(
        checks=[
            checked(readings=(measured("idle current", 0.11), measured("mode", "held", unit=""))),
            checked(name="t.py::test_x[q05]", verdict="failed", why="stuck on", places=("q05", "q06")),
        ],
        instruments=[
            {
                "name": "supply main",
                "what": "supply",
                "resource": "TCPIP::x",
                "identity": "MAKER,MODEL,SN,1.0",
                "certificate": "C-1",
                "due": "2027-01-01",
            }
        ],
        events=[("left", "mode left", "live to held")],
    )
    imported = import_run(database, run)
    assert (imported.outcome, imported.state) == (ImportOutcome.NEW, "completed")
    assert everything(database) == {
        "stands": 1, "units": 1, "runs": 1, "visits": 1, "checks": 2, "findings": 1, "series": 2,
        "readings": 2, "events": 1, "soak_minutes": 0, "exposures": 0,
        "instruments": 1, "calibrations": 1, "uses": 1, "copies": 1, "heads": 1,
    }  # fmt: skip


def test_the_same_run_again_changes_nothing(database: Database, make_run: MakeRun) -> None:
    run = make_run()
    import_run(database, run)
    before = everything(database)
    assert import_run(database, run).outcome is ImportOutcome.UNCHANGED
    assert everything(database) == before


def _beginning(run: Path, folder: Path, lines: int, tail: bytes = b"") -> Path:
    folder.mkdir()
    whole = (run / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "journal.jsonl").write_bytes(b"".join(whole[:lines]) + tail)
    return folder


def test_a_run_that_grew_replaces_its_beginning(
    database: Database, make_run: MakeRun, tmp_path: Path
) -> None:
    run = make_run()
    early = _beginning(run, tmp_path / "early", 3)
    first = import_run(database, early)
    assert (first.outcome, first.state) == (ImportOutcome.NEW, "unfinished")
    grown = import_run(database, run)
    assert (grown.outcome, grown.state, grown.key) == (ImportOutcome.GROWN, "completed", first.key)
    assert import_run(database, early).outcome is ImportOutcome.UNCHANGED
    assert everything(database)["runs"] == everything(database)["visits"] == 1


@pytest.mark.parametrize(
    "spoilt",
    [
        (b'{"n":3,"kin', "unfinished", "killed in the middle of a line"),
        (b"\xff\xfe garbage\n", "damaged", "line 4 holds bytes that no journal writes"),
        (b"\n", "damaged", "line 4 is cut short"),
    ],
)
def test_a_spoilt_end_is_left_out_and_said(
    database: Database, make_run: MakeRun, tmp_path: Path, spoilt: tuple[bytes, str, str]
) -> None:
    tail, state, words = spoilt
    imported = import_run(database, _beginning(make_run(), tmp_path / "spoilt", 3, tail))
    assert imported.state == state
    assert words in imported.state_text


def _change(run: Path, line: int, old: bytes, new: bytes) -> None:
    file = run / "journal.jsonl"
    lines = file.read_bytes().splitlines(keepends=True)
    assert old in lines[line]
    lines[line] = lines[line].replace(old, new)
    file.write_bytes(b"".join(lines))


def test_a_changed_line_is_refused_and_named(database: Database, make_run: MakeRun) -> None:
    run = make_run()
    _change(run, 3, b"passed", b"failed")
    with pytest.raises(JournalRefused, match=r"was changed after it was written: line 4 was changed"):
        import_run(database, run)
    assert everything(database)["runs"] == 0


def test_a_dropped_line_is_refused(database: Database, make_run: MakeRun) -> None:
    run = make_run()
    file = run / "journal.jsonl"
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:2] + lines[3:]))
    with pytest.raises(JournalRefused, match="a line before it is missing"):
        import_run(database, run)


def test_two_copies_that_go_different_ways_are_not_both_believed(
    database: Database, make_run: MakeRun, tmp_path: Path
) -> None:
    """A forger who seals the chain anew is caught where the records hold the true copy."""
    from hilseq.journal.chain import GENESIS, seal

    run = make_run()
    import_run(database, run)
    forged = tmp_path / "forged"
    shutil.copytree(run, forged)
    chain, sealed = GENESIS, []
    for number, line in enumerate((run / "journal.jsonl").read_bytes().splitlines()):
        entry = json.loads(line)
        del entry["chain"], entry["n"]
        if entry["kind"] == "check ended":
            entry["why"] = "nothing to see here"
        again, chain = seal(number, entry, chain)
        sealed.append(again)
    (forged / "journal.jsonl").write_bytes(b"".join(sealed))
    with pytest.raises(JournalRefused, match="one of the two was changed; the records keep what they have"):
        import_run(database, forged)


def test_a_run_killed_before_its_first_line_is_no_error_of_anybody(
    database: Database, make_run: MakeRun, tmp_path: Path
) -> None:
    with pytest.raises(NothingToImport, match="holds no whole line yet"):
        import_run(database, _beginning(make_run(), tmp_path / "empty", 0, b'{"n":0'))


def test_a_folder_without_journal_is_a_usage_error(database: Database, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"holds no journal\.jsonl"):
        import_run(database, tmp_path)


def test_a_sealed_file_that_is_no_run_is_refused(database: Database, tmp_path: Path) -> None:
    from hilseq.journal.chain import GENESIS, seal

    (tmp_path / "journal.jsonl").write_bytes(seal(0, {"kind": "diary"}, GENESIS)[0])
    with pytest.raises(JournalRefused, match="cannot be understood"):
        import_run(database, tmp_path)


#: Long, and of a kind that no index can compress away.
LONG = "".join(chr(0x1F300 + random.Random(number).randrange(0x2FF)) for number in range(3000))
HOSTILE = "\0<b>'; DROP TABLE runs;--\ud800\u202e\n" + LONG


def test_hostile_text_comes_in_and_is_only_text(
    database: Database, make_run: MakeRun, checked: Any, measured: Any
) -> None:
    run = make_run(
        serial=HOSTILE,
        part=HOSTILE,
        stand=HOSTILE,
        intake={"complaint": HOSTILE},
        checks=[
            checked(
                name=HOSTILE,
                place=HOSTILE,
                stage=HOSTILE,
                verdict="failed",
                why=HOSTILE,
                readings=(measured(HOSTILE, HOSTILE, unit=HOSTILE), measured("x", "nan")),
            )
        ],
        instruments=[
            {
                "name": HOSTILE,
                "what": HOSTILE,
                "resource": HOSTILE,
                "identity": HOSTILE,
                "certificate": HOSTILE,
                "due": HOSTILE,
            }
        ],
        events=[("left", HOSTILE, HOSTILE)],
    )
    assert import_run(database, run).outcome is ImportOutcome.NEW
    assert everything(database)["readings"] == 2


def test_several_stands_at_once_wait_for_each_other_and_lose_nothing(
    url: str, make_run: MakeRun, checked: Any, measured: Any, tmp_path: Path
) -> None:
    """Two processes' worth of imports with overlapping runs, units and series, one also still growing."""
    names = ["idle current", "live current", "time to ready"]
    runs = [
        make_run(
            serial=f"SN-{number % 3}",
            stand=f"stand {number % 2}",
            checks=[checked(readings=tuple(measured(name, 0.1 + number / 1000) for name in names))],
        )
        for number in range(8)
    ]
    early = [_beginning(run, tmp_path / f"early-{number}", 4) for number, run in enumerate(runs[:4])]
    faults: list[BaseException] = []
    gate = threading.Barrier(3)

    def work(order: list[Path]) -> None:
        try:
            gate.wait(10)
            with open_database(url) as mine:
                for run in order:
                    import_run(mine, run)
        except BaseException as error:  # noqa: BLE001 - handed to the test
            faults.append(error)

    orders = [runs + early, list(reversed(runs)) + early, early + runs[4:] + runs[:4]]
    threads = [threading.Thread(target=work, args=(order,)) for order in orders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(50)
    assert faults == []
    with open_database(url) as database:
        rows = everything(database)
    assert (rows["runs"], rows["units"], rows["series"], rows["readings"]) == (8, 3, 3, 24)
