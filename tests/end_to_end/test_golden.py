"""The visit of a known good unit: what may become one, for which harness it counts, and what it decides."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hilseq.analysis.limits import ReadingVerdict
from hilseq.description.golden import golden_file, golden_visit
from hilseq.description.loading import load_stand
from hilseq.journal.entries import CheckEnded, InputFile, Reading, RunEnded
from hilseq.journal.writer import JournalWriter
from hilseq.verdicts import CheckVerdict
from tests import warm
from tests.end_to_end.conftest import STANDS, MakeVisit
from tests.journals import check_planned, run_started

LOADED = Path(__file__).resolve().parents[2] / "sequences" / "test_65_loaded_outputs.py"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A stand file of one's own: what is kept beside it is kept for nobody else."""
    path = tmp_path / "bench.yaml"
    path.write_text((STANDS / "sim-bench.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    return path


def _visit(
    folder: Path,
    bench: Path,
    verdict: CheckVerdict = CheckVerdict.PASSED,
    amperes: float | None = None,
    **fields: Any,
) -> Path:
    """Write the journal of a visit on this bench, with one check that ended so, and what it read."""
    text = bench.read_text(encoding="utf-8")
    given = (InputFile(role="stand file", name=bench.name, sha256="0" * 64, text=text),)
    writer = JournalWriter(folder)
    writer.write(run_started(run=folder.name, simulated=True, inputs=given))
    writer.write(check_planned("c", place="q05", stage="outputs", title="It follows"))
    if amperes is not None:
        known = {"unit": "A", "uncertainty": 0.001, "low": 0.0, "high": 1.0, "place": "supply"}
        conforms = ReadingVerdict.CONFORMS
        writer.write(
            Reading(check="c", slot="A", name="idle current", value=amperes, verdict=conforms, **known)
        )
    writer.write(
        CheckEnded(check="c", verdict=verdict, why="" if verdict == "passed" else "it does not", seconds=1.0)
    )
    writer.write(RunEnded(exit_code=0, interrupted=False, **fields))
    writer.close()
    return folder


def _record(bench: Path, run: Path, *more: str) -> Any:
    line = ["ready", "--stand", str(bench), "--golden", str(run), *(more or ("--by", "M. Frei"))]
    return warm.hilseq(*line, cwd=bench.parent)


def test_a_good_visit_counts_until_the_harness_changes(tmp_path: Path, bench: Path) -> None:
    """Another description changes nothing; another load does."""
    done = _record(bench, _visit(tmp_path / "good", bench))
    assert done.returncode == 0, done.stderr
    stand = load_stand(bench)
    kept = golden_visit(bench, stand, "RH16", simulated=True)
    assert kept is not None
    assert (kept.serial, kept.run, kept.by) == ("RH0001", "good", "M. Frei")
    assert golden_visit(bench, stand, "RH16", simulated=False) is None, (
        "a simulated one shows nothing of wires"
    )
    assert golden_visit(bench, stand, "DX08", simulated=True) is None
    text = bench.read_text(encoding="utf-8")
    bench.write_text(text.replace("One-slot repair bench", "The same bench"), encoding="utf-8")
    assert golden_visit(bench, load_stand(bench), "RH16", simulated=True) == kept
    bench.write_text(text.replace("load: 48 Ohm", "load: 47 Ohm"), encoding="utf-8")
    assert golden_visit(bench, load_stand(bench), "RH16", simulated=True) is None


def test_a_chart_that_is_left_closes_the_stand_until_it_is_begun_anew(tmp_path: Path, bench: Path) -> None:
    """Six visits draw the chart of a reading and the seventh leaves it: the stand says how it is reopened."""
    for number, amperes in enumerate((0.1100, 0.1101, 0.1099, 0.1100, 0.1102, 0.1100)):
        done = _record(bench, _visit(tmp_path / f"run-{number}", bench, amperes=amperes))
        assert (done.returncode, "control chart" in done.stdout) == (0, False), done.stdout
    moved = _visit(tmp_path / "moved", bench, amperes=0.1150)
    done = _record(bench, moved)
    assert done.returncode == 4
    assert "control chart left: idle current at supply in A: 0.115 on " in done.stdout
    look = ["ready", "--stand", str(bench), "--unit", str(STANDS / "units" / "rh16.yaml"), "--simulate"]
    closed = warm.hilseq(*look, cwd=tmp_path)
    assert closed.returncode == 4
    assert "control chart, slot A" in closed.stdout
    assert "--anew, which begins new charts" in closed.stdout
    assert _record(bench, moved, "--by", "M. Frei", "--anew").returncode == 0
    kept = golden_visit(bench, load_stand(bench), "RH16", simulated=True)
    assert kept is not None
    assert kept.out_of_control() == []


def test_a_visit_that_found_something_shows_nothing(tmp_path: Path, bench: Path) -> None:
    """The place is reported: it is the harness, or another unit is needed."""
    done = _record(bench, _visit(tmp_path / "bad", bench, CheckVerdict.FAILED))
    assert done.returncode == 2
    assert "look at the harness there" in done.stderr
    assert "q05" in done.stderr
    assert not golden_file(bench).exists()


def test_a_visit_on_another_harness_shows_nothing(tmp_path: Path, bench: Path) -> None:
    """Nor does one of which nobody says that the unit is good."""
    run = _visit(tmp_path / "good", bench)
    assert "--by" in _record(bench, run, "--json").stderr
    text = bench.read_text(encoding="utf-8")
    bench.write_text(text.replace("load: 48 Ohm", "load: 47 Ohm"), encoding="utf-8")
    done = _record(bench, run)
    assert (done.returncode, golden_file(bench).exists()) == (2, False)
    assert "on another harness" in done.stderr


def test_with_it_what_both_explain_is_the_units(tmp_path: Path, bench: Path, visit: MakeVisit) -> None:
    """A weak output is unit or harness on a bench that nobody has tried, and the unit's on one that was shown right."""
    text = bench.read_text(encoding="utf-8")
    bench.write_text(text + "golden-unit: true\n", encoding="utf-8")
    weak = (str(LOADED), "--defect", "output-weak@q05")
    before = visit(*weak, stand=bench, name="before")
    assert (before.code, before.places) == (3, {"q05"})
    assert _record(bench, _visit(tmp_path / "good", bench)).returncode == 0
    after = visit(*weak, stand=bench, name="after")
    assert (after.code, after.places) == (1, {"q05"})
    journal = (after.folder / "journal.jsonl").read_text(encoding="utf-8")
    assert "the harness was proved with a known good unit, RH16 RH0001" in journal
