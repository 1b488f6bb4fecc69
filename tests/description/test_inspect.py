"""`hilseq inspect` as its user sees it: what is printed where, and the exit code."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from hilseq.cli.inspect import inspect_files, print_words
from hilseq.errors import UsageError

STANDS = Path(__file__).parents[2] / "stands"
STAND, UNIT = STANDS / "sim-bench.yaml", STANDS / "units/rh16.yaml"


def test_sound_files_are_summed_up_on_stdout(capsys: pytest.CaptureFixture[str]) -> None:
    """One line for each file, one for each unit that fits a slot, nothing on stderr, exit code 0."""
    assert inspect_files([UNIT, STAND]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.splitlines() == [
        "stand sim-bench: 1 supply, 1 io, 87 signals, 1 slot, 24 loopbacks, 1 interlock",
        (
            "profile RH16: 16 outputs, 16 inputs, 4 analog inputs, 2 analog outputs, 2 ports, 3 modes, "
            "10 fault codes, 32 configuration words"
        ),
        "profile RH16 fits slot A of stand sim-bench",
        "  not measured there: clock error of port 1, port 2",
    ]


def test_problems_go_to_stderr_one_a_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Problems of all files come on stderr, the sound files still on stdout, and the exit code is 2."""
    bad = tmp_path / "bad.yaml"
    bad.write_text("stand: no\nsupplies: {}\n", encoding="utf-8")
    assert inspect_files([bad, UNIT, tmp_path / "none.yaml"]) == 2
    out, err = capsys.readouterr()
    assert out.startswith("profile RH16: ")
    assert err.splitlines() == [
        f"{bad}:1:1: the key `slots` is missing; expected `slots`: the places where a unit sits",
        (
            f"{bad}:1:8: 'no' is a truth value in YAML; in quotes it would be a text; expected letters, "
            "digits, '-' and '_', beginning with a letter"
        ),
        f"{bad}:2:1: nothing is written here; expected at least 1",
        f"{tmp_path}/none.yaml: there is no such file; expected a YAML file",
    ]


def test_a_stand_and_a_unit_that_do_not_fit_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """Files that are sound by themselves but do not belong together give the reasons and exit code 2."""
    assert inspect_files([STAND, STANDS / "units/dx08.yaml"]) == 2
    err = capsys.readouterr().err
    assert "no signal senses the outputs q1 to q8 of DX08 in slot A" in err
    assert "dx08.yaml:41" in err


def test_two_stands_and_two_units_find_each_other(capsys: pytest.CaptureFixture[str]) -> None:
    """With several files, it is enough that each slot has a unit and each unit a slot."""
    files = [STAND, UNIT, STANDS / "dx08-bench.yaml", STANDS / "units/dx08.yaml"]
    assert inspect_files(files) == 0
    assert [line for line in capsys.readouterr().out.splitlines() if "fits" in line] == [
        "profile RH16 fits slot A of stand sim-bench",
        "profile DX08 fits slot left of stand dx08-bench",
    ]


def test_a_program_gets_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """`--json` puts everything on stdout: files, fits, problems with their places, exit code."""
    bad = tmp_path / "bad.yaml"
    bad.write_text("hello: 1\n", encoding="utf-8")
    assert inspect_files([STAND, UNIT, bad], json=True) == 2
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert err == ""
    assert answer["exit_code"] == 2
    assert [file["name"] for file in answer["files"]] == ["sim-bench", "RH16"]
    assert answer["files"][0]["holds"]["signal"] == 87
    unmeasured = ["clock error of port 1, port 2"]
    assert answer["fits"] == [
        {"profile": "RH16", "stand": "sim-bench", "slot": "A", "unmeasured": unmeasured}
    ]
    assert answer["problems"] == [
        {
            "path": str(bad),
            "line": 1,
            "column": 1,
            "wrong": "this is neither a stand file nor a profile",
            "expected": "the keys `stand`, `supplies`, `slots` of a stand file, "
            "or `part`, `ratings`, `link` of a profile",
            "nearest": "",
        }
    ]


def test_the_words_are_printed_for_both_kinds(capsys: pytest.CaptureFixture[str]) -> None:
    """`--words` prints the reference of a kind, and names the kinds when it is given another."""
    print_words("stand")
    assert "| `resource` | text | **needed** |" in capsys.readouterr().out
    print_words("profile")
    assert "#### `ratings`" in capsys.readouterr().out
    with pytest.raises(UsageError, match="--words 'unit' is not known; expected stand or profile"):
        print_words("unit")


def test_asking_for_help_imports_nothing_heavy() -> None:
    """The command can be listed without pydantic, YAML or any instrument library."""
    code = (
        "import sys, hilseq.cli.inspect; heavy = {'pydantic', 'yaml', 'pymodbus', 'pyvisa'}; "
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
