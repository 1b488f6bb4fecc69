"""The command line: what follows `--`, exit codes of slips, profiles by part number, completion, help."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from hilseq.description.visit import FOLDERS, profile_file
from hilseq.errors import UsageError
from tests import warm
from tests.end_to_end.conftest import ROOT, STANDS, MakeVisit

HILSEQ = [sys.executable, "-m", "hilseq"]
SIM, RH16 = str(STANDS / "sim-bench.yaml"), str(STANDS / "units" / "rh16.yaml")
VISIT = ("--stand", SIM, "--unit", RH16, "--serial", "RH-1", "--simulate")
OWN = """
import pytest

pytestmark = pytest.mark.stage("power-on")


def test_first(unit):
    assert unit.serial == "RH-1", "it is another unit"


def test_second(unit):
    assert unit.serial
"""
COMMANDS = [
    *(
        "demo",
        "run",
        "stand",
        "station",
        "resume",
        "watch",
        "inspect",
        "init",
        "report",
        "verify",
        "coverage",
        "plan",
    ),
    *(
        "ready",
        "safe",
        "serve",
        "simulate",
        "history",
        "records",
        "history unit",
        "records sync",
        "check",
        "schema",
        "",
    ),
]


@pytest.fixture
def own(tmp_path: Path) -> str:
    """A sequence of one's own of two checks, the first for RH-1 only."""
    (tmp_path / "test_own.py").write_text(OWN, encoding="utf-8")
    return str(tmp_path / "test_own.py")


# -- exit codes and what follows -- ------------------------------------------------------------------------


@pytest.mark.parametrize("program", ["hilseq", "pytest"])
def test_a_wrong_sequence_path_is_a_bad_option(tmp_path: Path, program: str) -> None:
    """Nothing is powered: exit code 2, never that of a stand fault; the message names the path."""
    if program == "pytest":
        done = warm.pytest("nowhere.py", *VISIT, "--out", "out", cwd=tmp_path)
    else:
        done = warm.hilseq("run", "nowhere.py", *VISIT, "--out", "out", cwd=tmp_path)
    assert done.returncode == 2, done.stdout + done.stderr
    assert "nowhere.py" in done.stdout + done.stderr
    assert not (tmp_path / "out" / "journal.jsonl").exists()


def test_an_option_that_pytest_does_not_know_is_a_bad_option(tmp_path: Path) -> None:
    """After `--` as before it, in one line with the nearest option there is."""
    done = warm.hilseq("run", *VISIT, "--out", "out", "--", "--maxfial=1", cwd=tmp_path)
    assert done.returncode == 2, done.stdout + done.stderr
    words = "what follows --: there is no option '--maxfial'; did you mean '--maxfail'?"
    assert done.stderr.splitlines()[-1] == f"hilseq: {words}"


@pytest.mark.parametrize("program", ["hilseq", "pytest"])
def test_several_processes_are_refused(tmp_path: Path, program: str) -> None:
    """One stand cannot be shared by processes; the line points to slots."""
    if program == "pytest":
        done = warm.pytest(str(ROOT / "sequences"), *VISIT, "--out", "out", "-n", "2", cwd=tmp_path)
    else:
        done = warm.hilseq("run", *VISIT, "--out", "out", "--", "-n", "2", cwd=tmp_path)
    reported = [line for line in (done.stdout + done.stderr).splitlines() if "-n: several processes" in line]
    assert done.returncode == 2, done.stdout + done.stderr
    assert len(reported) == 1
    assert "slots: --serial A=SN1,B=SN2" in reported[0]


def test_the_first_failure_can_end_the_run(visit: MakeVisit, own: str) -> None:
    """`-x`: what comes after it is not performed; the verdict stands."""
    done = visit(own, "--", "-x", serial="RH-2")
    assert (done.code, done.disposition) == (1, "repair"), done.out
    assert done.verdicts()["test_own.py::test_second"] == "not performed"


def test_what_failed_last_can_be_run_alone(tmp_path: Path, own: str) -> None:
    """`--lf`: the check that failed in the run before, and no other; what it remembers is not beside the runs."""
    environ = {**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache")}

    def verdicts(*options: str) -> dict[str, str]:
        out = tmp_path / f"run{len(options)}"
        line = [
            *HILSEQ,
            "run",
            own,
            *VISIT[:4],
            "--serial",
            "RH-2",
            "--simulate",
            "--out",
            str(out),
            *options,
        ]
        done = subprocess.run(line, env=environ, capture_output=True, text=True, check=False, cwd=tmp_path)
        assert done.returncode == 1, done.stdout + done.stderr
        (unit,) = json.loads((out / "summary.json").read_text(encoding="utf-8"))["units"]
        return {one["id"].partition("::")[2]: one["verdict"] for one in unit["checks"] if "::" in one["id"]}

    assert verdicts() == {"test_first": "failed", "test_second": "passed"}
    assert verdicts("--", "--lf") == {"test_first": "failed", "test_second": "not performed"}
    assert not (tmp_path / ".pytest_cache").exists()


def test_checks_can_be_listed_without_running_them(tmp_path: Path, own: str) -> None:
    """`--collect-only`: the checks by their ids, exit code 0, and no run."""
    done = warm.hilseq("run", own, *VISIT, "--out", "out", "--", "--collect-only", "-q", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert [line for line in done.stdout.splitlines() if line.endswith("::test_second")]
    assert not (tmp_path / "out").exists()


def test_options_of_pytest_alone_leave_the_shipped_sequences(tmp_path: Path) -> None:
    """`hilseq run ... -- -k starts`: what follows `--` is no sequence."""
    line = (
        "run",
        *VISIT,
        "--out",
        "out",
        "--",
        "--collect-only",
        "-q",
        "-k",
        "test_self_test and not at_the_end",
    )
    done = warm.hilseq(*line, cwd=tmp_path)
    found = [line for line in done.stdout.splitlines() if "::" in line]
    assert [line.partition("::")[2] for line in found] == ["test_self_test"], done.stdout + done.stderr


# -- stands and profiles -----------------------------------------------------------------------------------


def test_stand_and_profile_by_name(tmp_path: Path, own: str) -> None:
    """The stand from HILSEQ_STAND, the profile by the part that the intake names, in whichever letters."""
    (tmp_path / "intake.yaml").write_text("serial: RH-1\npart: rh16\n", encoding="utf-8")
    line = [*HILSEQ, "run", own, "--intake", "intake.yaml", "--simulate", "--out", "out"]
    done = subprocess.run(
        line,
        env={**os.environ, "HILSEQ_STAND": SIM},
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 3, done.stdout + done.stderr
    assert "RH16 RH-1 on stand sim-bench" in done.stdout


def test_intake_and_profile_that_disagree(tmp_path: Path) -> None:
    """The wrong unit, or the wrong profile: nothing is powered."""
    done = warm.hilseq("run", *VISIT, "--note", "part=DX08", "--out", "out", cwd=tmp_path)
    assert done.returncode == 2
    assert "the intake says part DX08, the profile is that of RH16" in done.stdout + done.stderr


@pytest.mark.parametrize("part", ["RH16", "rh16"])
def test_a_profile_is_found_by_its_part_number(part: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the folder `units` beside the stand file, or in those that HILSEQ_PROFILES names."""
    monkeypatch.delenv(FOLDERS, raising=False)
    assert profile_file(part, Path(SIM)) == Path(RH16)
    monkeypatch.setenv(FOLDERS, os.pathsep.join(["/nowhere", str(STANDS / "units")]))
    assert profile_file(part, Path("/elsewhere/stand.yaml")) == Path(RH16)


def test_a_part_that_is_not_or_is_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The nearest part is named; two profiles of one part are both named, and neither is taken."""
    monkeypatch.setenv(FOLDERS, str(tmp_path))
    for name in ("a.yaml", "b.yaml"):
        (tmp_path / name).write_text("part: RH16\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"a\.yaml and .*b\.yaml both describe it"):
        profile_file("RH16", Path(SIM))
    with pytest.raises(UsageError, match=r"no profile of a part RH61 .*; did you mean 'RH16'\?"):
        profile_file("RH61", Path(SIM))
    assert profile_file("gone.yaml", Path(SIM)) == Path("gone.yaml"), "a file that is missing stays one"


# -- help and completion -----------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_whole_within_80_columns(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No sentence is cut, and no type is named twice."""
    monkeypatch.setenv("COLUMNS", "80")
    done = warm.hilseq(*command.split(), "--help", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    _, _, reported = done.stdout.partition("\n")  # the usage line has dots of its own
    assert not re.findall(r"\w\.\.\.$", reported, re.MULTILINE), reported
    assert not re.findall(r"<\w+>|<list", reported), reported
    assert max(map(len, done.stdout.splitlines())) <= 80, done.stdout


def test_completion_of_commands_and_options(tmp_path: Path) -> None:
    """What a shell is reported when Tab is pressed; the script that asks so is installed for the shell."""
    program = str(Path(sys.executable).with_name("hilseq"))
    environ = {**os.environ, "HOME": str(tmp_path), "_TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION": "1"}

    def said(*words: str, **asked: str) -> str:
        line = [program, *words]
        done = subprocess.run(
            line, env={**environ, **asked}, capture_output=True, text=True, check=False, cwd=tmp_path
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    bash = {"_HILSEQ_COMPLETE": "complete_bash"}
    assert said(**bash, COMP_WORDS="hilseq st", COMP_CWORD="1").split() == ["station", "stand"]
    assert "--soak-duration" in said(**bash, COMP_WORDS="hilseq run --soak", COMP_CWORD="2").split()
    said("--install-completion", "bash")
    script = (tmp_path / ".bash_completions" / "hilseq.sh").read_text(encoding="utf-8")
    assert "_HILSEQ_COMPLETE=complete_bash" in script


@pytest.mark.parametrize(
    ("package", "line", "extra"),
    [
        ("sqlalchemy", "history unit RH-1", "records"),
        ("sqlalchemy", "records sync", "records"),
        ("uvicorn", "serve", "serve"),
    ],
)
def test_a_package_of_an_extra_is_named(package: str, line: str, extra: str, tmp_path: Path) -> None:
    """With the command that installs it, and the exit code of something that is missing."""
    (tmp_path / "runs").mkdir()
    code = (
        f"import sys; sys.modules[{package!r}] = None; sys.argv = ['hilseq', *{line.split()!r}]; "
        "from importlib import util; find = util.find_spec; "
        f"util.find_spec = lambda name: None if name == {package!r} else find(name); "
        "from hilseq.cli.main import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2, done.stderr
    assert f"{package}" in done.stderr
    assert f"'hilseq[{extra}]'" in done.stderr
    assert "Traceback" not in done.stderr
