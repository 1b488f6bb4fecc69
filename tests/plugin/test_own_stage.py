"""Own stages and parameters: a profile requires them, a sequence declares them, nothing is powered before both fit."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests import warm

ROOT = Path(__file__).parents[2]
STAND, UNIT = ROOT / "stands" / "sim-bench.yaml", ROOT / "stands" / "units" / "rh16.yaml"
RIPPLE = ROOT / "tests" / "ripple_sequence.py"


def profile(folder: Path, text: str) -> Path:
    """Write the shipped profile with a text in front; its keys then begin at line 1."""
    file = folder / "unit.yaml"
    file.write_text(text + UNIT.read_text(encoding="utf-8"), encoding="utf-8")
    return file


def visit(folder: Path, text: str, *options: str) -> warm.Done:
    """Run the sequence of one's own on a unit whose profile begins with a text."""
    shutil.copy(RIPPLE, folder / "test_ripple.py")
    line = [
        "run",
        "test_ripple.py",
        "--stand",
        str(STAND),
        "--unit",
        str(profile(folder, text)),
        "--serial",
        "RH-1",
    ]
    return warm.hilseq(*line, "--simulate", "--out", "out", *options, cwd=folder)


def test_limits_of_the_profile_judge_a_check_of_ones_own(tmp_path: Path) -> None:
    """The reading is held against what the profile's `parameters` say."""
    visit(tmp_path, "parameters: {ripple: -50..50 mV}\n")
    entries = [
        json.loads(line) for line in (tmp_path / "out" / "journal.jsonl").read_text("ascii").splitlines()
    ]
    (reading,) = [entry for entry in entries if entry["kind"] == "reading"]
    assert (reading["low"], reading["high"], reading["verdict"]) == (-0.05, 0.05, "conforms")


def test_a_stage_of_ones_own_can_be_required(tmp_path: Path) -> None:
    """It is asked for by name, and its absence keeps a unit from shipping as that of any other does."""
    required = "parameters: {ripple: -50..50 mV}\nrequired-stages: [ripple, burn-in]\n"
    visit(tmp_path, required)
    summary = json.loads((tmp_path / "out" / "summary.json").read_text("ascii"))
    missing = {one["id"] for one in summary["units"][0]["checks"] if one["verdict"] == "not performed"}
    assert "stage burn-in" in missing
    assert "stage ripple" not in missing


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "unit.yaml:3:1: the parameter 'ripple' is missing; expected `ripple` in `parameters`"),
        ("parameters: {riple: 0..50 mV}\n",
            "unit.yaml:1:14: no check declares the parameter 'riple'; did you mean 'ripple'?"),
        ("parameters: {ripple: 50 mV}\n",
            "unit.yaml:1:22: the parameter 'ripple' is '50 mV'; expected a range"),
        ("parameters: {ripple: 0..50 mA}\n",
            "unit.yaml:1:22: the parameter 'ripple' is '0..50 mA'; expected "),
        ("parameters: {ripple: ..50 mV, readings: many}\n",
            "unit.yaml:1:41: the parameter 'readings' is 'many'; expected a number (test_ripple.py::test_ripple)"),
        ("parameters: {ripple: ..50 mV}\nrequired-stages: [riple]\n",
            "unit.yaml:2:19: there is no stage 'riple'; did you mean 'ripple'?"),
        ("parameters: {ripple: ..50 mV}\nrequired-stages: [set up]\n",
            "unit.yaml:2:19: there is no stage 'set up'; did you mean 'set-up'?"),
        ("parameters: {ripple: [1, 2]}\n", "unit.yaml:1:22: a list stands here"),
    ],
    ids=["missing", "misspelt", "no limits", "another unit", "no number", "stage", "shipped stage", "a list"],
)  # fmt: skip
def test_a_profile_that_does_not_fit_is_refused(tmp_path: Path, text: str, words: str) -> None:
    """With file, line and column, before anything is powered."""
    done = visit(tmp_path, text)
    assert done.returncode == 2
    assert words in done.stdout + done.stderr
    assert not (tmp_path / "out" / "journal.jsonl").exists()


@pytest.mark.parametrize(
    ("marker", "words"),
    [
        ("'ripple'", "expected parameter(NAME, KIND), or parameter(NAME, KIND, default=VALUE)"),
        ("'ripple', 'voltage limit'", "there is no such kind; did you mean 'voltage limits'?"),
        ("'hold', 'time', default='2'", "parameter('hold', 'time'): the default '2' is not a time"),
    ],
)
def test_a_marker_that_declares_nothing_is_refused(tmp_path: Path, marker: str, words: str) -> None:
    """A slip of the sequence is named with the check."""
    text = f"import pytest\n@pytest.mark.parameter({marker})\ndef test_it(unit, parameters): pass\n"
    (tmp_path / "test_it.py").write_text(text, encoding="utf-8")
    line = ["test_it.py", "--stand", str(STAND), "--unit", str(UNIT), "--serial", "RH-1", "--collect-only"]
    done = warm.pytest(*line, cwd=tmp_path)
    assert done.returncode == 2
    assert words in done.stdout + done.stderr


ASKS = """
import pytest

@pytest.mark.parameter("hold", "time", default="2 min")
@pytest.mark.parameter("lamp", "text", default="green")
@pytest.mark.parameter("fast", "flag", default=False)
def test_kinds(unit, parameters):
    assert parameters.value("hold") == 5400.0
    assert parameters.text("lamp") == "green"
    assert parameters.flag("fast") is True
    with pytest.raises(LookupError, match="declares no parameter 'holt'; did you mean 'hold'"):
        parameters.value("holt")
    with pytest.raises(TypeError, match="the parameter 'hold' is 5400.0, not a str"):
        parameters.text("hold")
"""


def test_a_parameter_is_of_the_kind_that_is_declared(tmp_path: Path) -> None:
    """Quantities in base units, texts and flags as they are; a name or kind that is not declared is refused."""
    (tmp_path / "test_it.py").write_text(ASKS, encoding="utf-8")
    unit = profile(tmp_path, "parameters: {hold: 1 h 30 min, fast: true, of-another-sequence: 3}\n")
    line = ["run", "test_it.py", "--stand", str(STAND), "--unit", str(unit), "--serial", "RH-1", "--simulate"]
    warm.hilseq(*line, "--out", "out", cwd=tmp_path)
    summary = json.loads((tmp_path / "out" / "summary.json").read_text("ascii"))
    (check,) = [one for one in summary["units"][0]["checks"] if "test_kinds" in one["id"]]
    assert check["verdict"] == "passed", check
