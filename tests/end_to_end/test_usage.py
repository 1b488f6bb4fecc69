"""Bad input: a clear line, exit code 2, nothing powered, no traceback."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from hilseq.cli.main import app
from hilseq.journal.entries import RunEnded
from hilseq.journal.reader import read_journal
from tests import warm
from tests.end_to_end.conftest import ROOT, STANDS, MakeVisit

CASES = {
    "missing stand": (["--stand", "nowhere.yaml", "--unit", "u.yaml", "--serial", "1"], "nowhere.yaml"),
    "no serial": (
        [
            "--stand",
            str(STANDS / "sim-bench.yaml"),
            "--unit",
            str(STANDS / "units" / "rh16.yaml"),
            "--serial",
            "",
        ],
        "serial",
    ),
    "unknown defect": (
        [
            *("--stand", str(STANDS / "sim-bench.yaml"), "--unit", str(STANDS / "units" / "rh16.yaml")),
            *("--serial", "1", "--simulate", "--defect", "output-stuck-onn@q05"),
        ],
        "output-stuck-on",
    ),
    "defect without simulation": (
        [
            *("--stand", str(STANDS / "sim-bench.yaml"), "--unit", str(STANDS / "units" / "rh16.yaml")),
            *("--serial", "1", "--defect", "no-start"),
        ],
        "--simulate",
    ),
    "unknown slot": (
        [
            *("--stand", str(STANDS / "sim-bench.yaml"), "--unit", f"Z={STANDS / 'units' / 'rh16.yaml'}"),
            *("--serial", "1", "--simulate"),
        ],
        "Z=",
    ),
}


@pytest.mark.parametrize(("arguments", "word"), CASES.values(), ids=CASES.keys())
@pytest.mark.parametrize("program", ["hilseq", "pytest"])
def test_bad_input_gets_a_clear_line(tmp_path: Path, arguments: list[str], word: str, program: str) -> None:
    """The message names what is wrong; the exit code is 2; nothing is written; no traceback is shown."""
    out = tmp_path / "out"
    line = [*arguments, "--out", str(out)]
    if program == "pytest":
        done = warm.pytest(str(ROOT / "sequences"), "-q", *line, cwd=tmp_path)
    else:
        done = warm.hilseq("run", *line, cwd=tmp_path)
    words = done.stdout + done.stderr
    assert done.returncode == 2, words
    assert word in words
    assert "Traceback" not in words
    assert not out.exists()


def test_an_empty_folder_name_is_not_the_present_folder(tmp_path: Path) -> None:
    """`--out "$FOLDER"` of a script that never set it: refused, and nothing is written."""
    line = ["run", "--simulate", "--stand", str(STANDS / "sim-bench.yaml")]
    line += ["--unit", str(STANDS / "units" / "rh16.yaml"), "--serial", "1", "--out", ""]
    done = warm.hilseq(*line, cwd=tmp_path)
    assert (done.returncode, "--out" in done.stderr) == (2, True), done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_journal_is_never_written_over(visit: MakeVisit) -> None:
    """The same --out twice is refused, and the first journal is untouched."""
    sequence = str(ROOT / "sequences" / "test_10_power_on.py")
    first = visit(sequence)
    before = (first.folder / "journal.jsonl").read_bytes()
    second = visit(sequence)
    assert second.code == 2, second.out + second.err
    assert "already" in second.out + second.err
    assert (first.folder / "journal.jsonl").read_bytes() == before


def test_a_folder_that_cannot_be_made_is_said_before_anything_is_powered(
    visit: MakeVisit, tmp_path: Path
) -> None:
    """A file stands where the folder should be."""
    taken = tmp_path / "taken"
    taken.write_text("", encoding="utf-8")
    done = visit(str(ROOT / "sequences" / "test_10_power_on.py"), "--out", str(taken / "run"))
    assert done.code == 2, done.out + done.err
    assert "cannot be made: Not a directory" in done.out + done.err
    assert "Traceback" not in done.out + done.err


def test_a_folder_that_holds_reports_and_no_journal_is_no_folder_for_a_run(
    tmp_path: Path, visit: MakeVisit
) -> None:
    """A run that is killed there would look as if they were its own: refused, and nothing is powered."""
    left = tmp_path / "left" / "summary.json"
    left.parent.mkdir()
    left.write_text("{}\n", encoding="ascii")
    done = visit(str(ROOT / "sequences" / "test_10_power_on.py"), "--out", str(left.parent))
    assert done.code == 2, done.out + done.err
    assert "holds summary.json of another run, and no journal of it" in done.out + done.err
    assert [file.name for file in left.parent.iterdir()] == ["summary.json"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_output_on_a_full_disk(tmp_path: Path) -> None:
    """A run is for its journal: it continues. A command that only shows something says why it cannot."""
    out = tmp_path / "run"
    line = [sys.executable, "-m", "hilseq", "run", str(ROOT / "sequences" / "test_10_power_on.py")]
    line += ["--stand", str(STANDS / "sim-bench.yaml"), "--unit", str(STANDS / "units" / "rh16.yaml")]
    line += ["--serial", "RH-1", "--simulate", "--out", str(out)]
    with Path("/dev/full").open("wb") as full:
        run = subprocess.run(line, stdout=full, stderr=subprocess.PIPE, check=False, cwd=tmp_path)
        show = [sys.executable, "-m", "hilseq", "inspect", "--words", "stand"]
        shown = subprocess.run(show, stdout=full, stderr=subprocess.PIPE, check=False)
    assert (run.returncode, run.stderr) == (3, b""), (
        "incomplete, as with any output: one sequence is no visit"
    )
    assert read_journal(out).of(RunEnded)[-1].exit_code == 3
    assert shown.returncode == 2
    assert b"hilseq: the output: No space left on device" in shown.stderr
    assert b"should not happen" not in shown.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    ("name", "code", "reported"),
    [
        ("junit.xml", 3, "files of this run for other programs are incomplete: "),
        ("summary.json", 4, "cannot be written any more (Is a directory); what was written before is whole"),
    ],
)
def test_a_disk_that_is_full_at_the_end_of_a_run(
    visit: MakeVisit, tmp_path: Path, name: str, code: int, reported: str
) -> None:
    """The unit was powered: never the code of a bad option. The verdict stands where journal and reports could."""
    out = tmp_path / "run"
    out.mkdir()
    if name == "junit.xml":
        (out / name).symlink_to("/dev/full")
    else:
        (out / name).mkdir()
    done = visit(str(ROOT / "sequences" / "test_10_power_on.py"), "--out", str(out))
    assert done.code == code, done.out + done.err
    assert reported in done.err
    assert "Traceback" not in done.out + done.err
    assert read_journal(out).of(RunEnded)[-1].exit_code == 3
    if code == 4:
        assert f"hilseq report {out}" in done.err


def test_a_reader_that_goes_away_does_not_end_the_run(tmp_path: Path) -> None:
    """`hilseq run ... | head -1`: the verdict and the journal are what they would have been."""
    out = tmp_path / "run"
    line = [sys.executable, "-m", "hilseq", "run", str(ROOT / "sequences" / "test_10_power_on.py")]
    line += ["--stand", str(STANDS / "sim-bench.yaml"), "--unit", str(STANDS / "units" / "rh16.yaml")]
    line += ["--serial", "RH-1", "--simulate", "--out", str(out)]
    with subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path) as run:
        assert run.stdout is not None
        assert run.stderr is not None
        assert run.stdout.readline()
        run.stdout.close()
        errors = run.stderr.read()
    assert run.returncode == 3, errors  # incomplete: one sequence is no visit
    assert b"SystemExit" not in errors
    journal = read_journal(out)
    assert journal.entries[-1:] == tuple(journal.of(RunEnded))
    assert journal.of(RunEnded)[-1].exit_code == 3


def helps(name: str, command: Any, above: Any = None) -> Iterator[tuple[str, str]]:
    """Yield the help of a command and of all below it."""
    context = command.make_context(name, [], resilient_parsing=True, parent=above)
    yield name, command.get_help(context)
    for below in command.list_commands(context) if hasattr(command, "list_commands") else ():
        yield from helps(below, command.get_command(context, below), context)


def test_every_command_has_help_with_an_example() -> None:
    """`--help` of every command and every group of them shows an example."""
    shown = dict(helps("hilseq", typer.main.get_command(app)))
    assert {"demo", "station", "safe", "calibration-due", "rebuild", "export"} <= set(shown)
    assert [name for name, text in shown.items() if "Example: hilseq" not in text] == []
