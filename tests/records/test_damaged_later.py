"""Samples that are damaged after their run came in: the records follow what `hilseq verify` says of the run."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from hilseq.cli.records import make_records_app
from hilseq.journal.entries import CheckEnded, CheckStarted, RunEnded
from hilseq.journal.samples import SampleWriter
from hilseq.journal.writer import JournalWriter
from hilseq.plugin import other_runs
from hilseq.records.database import Database, open_database
from hilseq.records.history.part import pooled
from hilseq.records.history.present import of_unit
from hilseq.records.history.unit_history import unit_history, visits_of
from hilseq.records.importing import ImportOutcome, import_run
from hilseq.records.synchronising import Synchronised, status, sync
from hilseq.reports.verify import verify
from hilseq.verdicts import CheckVerdict
from tests.journals import check_planned, run_started, soak_ended, soak_started, unit

FILE = "samples-a.bin"


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    return tmp_path / "runs"


@pytest.fixture
def run(runs: Path) -> Path:
    """A run whose unit SN-1 shipped after its soak, beside one in slot b that had none."""
    return _soaked(runs / "soaked")


def _soaked(folder: Path, *, repair: bool = False) -> Path:
    journal = JournalWriter(folder)
    units = [unit(slot, f"SN-{n}", "RH-16") for n, slot in enumerate("ab", 1)]
    journal.write(run_started(*units, run=folder.name, stand="north"))
    for slot in "ab":
        journal.write(check_planned(f"s::test_soak[{slot}]", slot=slot))
        journal.write(CheckStarted(check=f"s::test_soak[{slot}]"))
    journal.write(soak_started("a", check="s::test_soak[a]", file=FILE))
    samples = SampleWriter(folder / FILE, ["current"])
    for second in range(180):
        samples.append(float(second), [0.1])
    journal.write(samples.seal("a", {}))
    samples.close()
    journal.write(soak_ended("a", since=180.0, samples=180))
    for slot in "ab":
        verdict, why = (CheckVerdict.FAILED, "hot") if repair else (CheckVerdict.PASSED, "")
        journal.write(CheckEnded(check=f"s::test_soak[{slot}]", verdict=verdict, why=why, seconds=180))
    journal.write(RunEnded(exit_code=int(repair), interrupted=False))
    journal.close()
    return folder


def _spoil(run: Path) -> None:
    """Change one sample, and set the date back, as a copy does."""
    file = run / FILE
    before = file.stat()
    content = bytearray(file.read_bytes())
    content[-40] ^= 1
    file.write_bytes(content)
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))


def _reported(url: str, serial: str = "SN-1") -> tuple[str, int]:
    """Return the disposition of the unit's one visit, and the exit code of its run."""
    with open_database(url) as database:
        (visit,) = visits_of(database, "RH-16", serial)
        with database.reading() as connection:
            return visit.disposition, connection.execute(sa.text("SELECT exit_code FROM runs")).scalar_one()


def _outcomes(result: Synchronised) -> list[tuple[ImportOutcome, str]]:
    return [(one.outcome, one.samples_fault) for one in result.imported]


def test_hours_without_their_samples_prove_nothing(url: str, run: Path, runs: Path) -> None:
    """Three minutes of soak are in the pooled proof, until the samples are damaged, and again when they are back."""

    def hours() -> float:
        with open_database(url) as database:
            soaks = pooled(database, "RH-16").soaks
            return 0.0 if soaks is None else soaks.hours

    sync(runs, url)
    assert hours() == pytest.approx(180.0 / 3600.0)
    whole = (run / FILE).read_bytes()
    _spoil(run)
    sync(runs, url)
    assert hours() == 0.0
    (run / FILE).write_bytes(whole)
    sync(runs, url)
    assert hours() == pytest.approx(180.0 / 3600.0)


@pytest.mark.parametrize("damage", [_spoil, lambda run: (run / FILE).unlink()])
def test_a_sync_sees_that_the_evidence_has_changed(
    url: str, run: Path, runs: Path, damage: Callable[[Path], None]
) -> None:
    """The unit that shipped is incomplete, the other one still ships; restored, it ships again."""
    assert _outcomes(sync(runs, url)) == [(ImportOutcome.NEW, "")]
    assert (_reported(url), _reported(url, "SN-2")) == (("ship", 0), ("ship", 0))
    whole = (run / FILE).read_bytes()
    damage(run)
    assert int(verify(run / "journal.jsonl", run).outcome) == 1
    ((outcome, words),) = _outcomes(sync(runs, url))
    assert outcome is ImportOutcome.CHANGED
    assert words.startswith(f"{FILE} is ")
    assert words.endswith("; the records keep the minutes that they have")
    assert (_reported(url), _reported(url, "SN-2")) == (("incomplete", 3), ("ship", 3))
    assert _outcomes(sync(runs, url)) == []  # seen, and not read again
    (run / FILE).write_bytes(whole)
    assert _outcomes(sync(runs, url)) == [(ImportOutcome.CHANGED, "")]
    assert _reported(url) == ("ship", 0)


def test_what_looks_as_it_did_is_not_read(
    url: str, run: Path, runs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sizes and dates are looked at and nothing else, damaged or not."""
    sync(runs, url)
    monkeypatch.setattr("hilseq.records.synchronising.import_run", lambda *_: pytest.fail("read again"))
    assert sync(runs, url).unchanged == 1
    with open_database(url) as database:
        assert status(database, runs).waiting == []
        (run / FILE).touch()
        assert [path.parent for path in status(database, runs).waiting] == [run]


def test_a_repair_stays_a_repair(url: str, runs: Path) -> None:
    """Damaged samples release nothing, and take nothing back that was found; they are reported all the same."""
    run = _soaked(runs / "bad", repair=True)
    sync(runs, url)
    _spoil(run)
    ((outcome, words),) = _outcomes(sync(runs, url))
    assert outcome is ImportOutcome.CHANGED
    assert FILE in words
    assert _reported(url) == ("repair", 1)


def test_what_is_damaged_when_it_comes_in_ships_nothing(url: str, run: Path, runs: Path) -> None:
    _spoil(run)
    assert sync(runs, url).imported[0].outcome is ImportOutcome.NEW
    assert _reported(url) == ("incomplete", 3)
    with open_database(url) as database:
        life = unit_history(database, "SN-1")
        assert life[0].visits[0].damage.startswith(f"{FILE} is ")
        assert str(life[0].visits[0].damage) in str(of_unit(life).tables[0].rows)


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_a_copy_that_is_whole_vouches_for_one_that_is_not(
    url: str, run: Path, tmp_path: Path, order: tuple[int, int]
) -> None:
    """A copy of the journal alone takes nothing back, whichever comes first, while the whole one is there."""
    bare = tmp_path / "bare"
    bare.mkdir()
    shutil.copy(run / "journal.jsonl", bare)
    copies = (run, bare)
    with open_database(url) as database:
        for number in order:
            import_run(database, copies[number])
    assert _reported(url) == ("ship", 0)
    with open_database(url) as database:
        again = import_run(database, bare)
    assert again.outcome is ImportOutcome.UNCHANGED
    assert again.samples_fault.endswith("; another copy of the run has them whole")


@pytest.mark.parametrize("loss", [_spoil, shutil.rmtree])
def test_a_copy_vouches_only_while_it_looks_as_it_did(
    url: str, run: Path, tmp_path: Path, loss: Callable[[Any], None]
) -> None:
    """What was whole once, and is damaged or gone by now, is no reason to believe another copy."""
    bare = tmp_path / "bare"
    bare.mkdir()
    shutil.copy(run / "journal.jsonl", bare)
    with open_database(url) as database:
        import_run(database, run)
        loss(run)
        import_run(database, bare)
    assert _reported(url) == ("incomplete", 3)


def test_an_older_copy_says_nothing_of_the_samples(database: Database, run: Path, tmp_path: Path) -> None:
    """A journal from before the last seals has no word on what was sampled since."""
    early = tmp_path / "early"
    early.mkdir()
    lines = (run / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (early / "journal.jsonl").write_bytes(b"".join(lines[:-1]))
    import_run(database, run)
    (run / FILE).touch()
    assert import_run(database, early).outcome is ImportOutcome.UNCHANGED
    (visit,) = visits_of(database, "RH-16", "SN-1")
    assert visit.disposition == "ship"


def test_records_from_before_are_looked_at_once(tmp_path: Path, run: Path, runs: Path) -> None:
    """Tables without copies are brought up to date; the next sync reads what it has never looked at."""
    url = f"sqlite:///{tmp_path / 'records.sqlite'}"
    sync(runs, url)
    with open_database(url) as database, database.writing() as connection:
        connection.execute(sa.text("DROP TABLE copies"))
        connection.execute(sa.text("DROP TABLE heads"))
        connection.execute(sa.text("ALTER TABLE visits DROP COLUMN damage"))
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '0001'"))
    _spoil(run)
    assert [outcome for outcome, _ in _outcomes(sync(runs, url))] == [ImportOutcome.CHANGED]
    assert _reported(url) == ("incomplete", 3)
    assert sync(runs, url).unchanged == 1


def test_the_header_of_a_later_run_counts_the_earlier_one_as_what_it_is_worth(run: Path) -> None:
    """Beside it, without any records: damaged samples ship nothing there either."""

    def before() -> list[str]:
        found = other_runs.earlier_runs(run.parent / "next", "RH-16", "SN-1", simulated=False)
        return [one.disposition for one in found]

    assert before() == ["ship"]
    _spoil(run)
    assert before() == ["incomplete"]


def test_the_command_says_so(run: Path, runs: Path, tmp_path: Path) -> None:
    """On stdout which run, on stderr what is wrong with which file."""
    words = ["sync", "--runs", str(runs), "--records", str(tmp_path / "r.sqlite")]
    runner = CliRunner()
    assert "1 brought in, 0 unchanged" in runner.invoke(make_records_app(), words).stdout
    _spoil(run)
    done = runner.invoke(make_records_app(), words)
    assert done.exit_code == 0
    assert "changed    soaked" in done.stdout
    assert "0 brought in, 0 unchanged, 1 with other samples" in done.stdout
    assert f"hilseq: soaked: {FILE} is damaged" in done.stderr
