"""`hilseq check`: what is wrong with a sequence is reported with file and line, and nothing is powered for it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests import warm
from tests.end_to_end.conftest import STANDS

VISIT = ("--stand", str(STANDS / "sim-bench.yaml"), "--unit", str(STANDS / "units" / "rh16.yaml"))
MISTAKES = """import pytest

@pytest.mark.parameter("hold", "time", default="1 s")
def test_names(unit, live_unti, signals, parameters):
    unit.outputs.drive("q01", "q99")
    unit.inputs.drive("ii03")
    signals.read("q0l")
    parameters.value("holt")

@pytest.mark.stage("conifguration")
@pytest.mark.place("suply")
def test_markers(unit): pass

@pytest.mark.duration("2 minutes")
@pytest.mark.place("supply")
@pytest.mark.plaec("supply")
def test_more(unit): pass
"""
CALLS = """from hilseq import Limits, repeat

def test_calls(live_unit, supply, judge, clock):
    judge("loaded supply", supply.volts(), Limits(24.5, 23.5))
    judge("comma", supply.voltage(), Limits(23,5, 24,5))
    judge("current", repeat(supply.current), live_unit.limits.idel_current)
    clock.slep(3)

def test_not_called(live_unit, supply, judge):
    supply.off
    assert live_unit.outputs_enabled and supply.is_on
    assert (supply.is_on, "no power")
    judge("a plain number", 24.1, Limits(23, 25))
    judge("voltage", supply.voltage, Limits(23, 25))

def test_empty(live_unit, supply):
    supply.voltage()

def helper(unit):
    assert unit.supply.is_on

def test_own_helper(ready_unit): helper(ready_unit)

def test_procedure(ready_unit): ready_unit.restart()
"""


def check(folder: Path, text: str) -> warm.Done:
    (folder / "test_own.py").write_text(text, encoding="utf-8")
    return warm.hilseq("check", "test_own.py", *VISIT, cwd=folder)


def test_every_name_that_nobody_has_is_reported_with_its_line(tmp_path: Path) -> None:
    """Fixtures, points, signals, parameters and markers, all at once, with the nearest right name."""
    done = check(tmp_path, MISTAKES)
    assert done.returncode == 2
    meant, time = "did you mean 'live_unit'?", "expected a time such as '500 ms', or estimate=durations.start"
    assert done.stderr.splitlines() == [
        f"hilseq: test_own.py:3:1: test_names asks for the fixture 'live_unti', which does not exist; {meant}",
        "hilseq: test_own.py:5:1: there is no output 'q99'; did you mean 'q09'?",
        "hilseq: test_own.py:6:1: there is no input 'ii03'; did you mean 'i03'?",
        "hilseq: test_own.py:7:1: there is no signal 'q0l'; did you mean 'q10'?",
        "hilseq: test_own.py:8:1: there is no parameter 'holt'; did you mean 'hold'?",
        "hilseq: test_own.py:10:1: there is no stage 'conifguration'; did you mean 'configuration'?",
        "hilseq: test_own.py:11:1: there is no place 'suply'; did you mean 'supply'?",
        f"hilseq: test_own.py:14:1: marker duration('2 minutes'); {time}",
        "hilseq: test_own.py:16:1: there is no marker 'plaec'; did you mean 'place'?",
    ]
    assert [path.name for path in tmp_path.iterdir()] == ["test_own.py"]


def test_what_is_called_and_is_not_there_is_reported_before_power(tmp_path: Path) -> None:
    """Methods, arguments and limits; what its own helpers and procedures compare is a statement."""
    done = check(tmp_path, CALLS)
    assert done.returncode == 2
    nothing = (
        "judges no reading and asserts nothing, so it shows nothing about the unit; "
        "expected judge(NAME, MEASURED, LIMITS), or an assert of what is seen"
    )
    point, value = "and a point for decimals", 'Measured(value, "V", standard_uncertainty)'
    assert done.stderr.splitlines() == [
        "hilseq: test_own.py:4:28: there is no supply.volts; did you mean 'voltage'?",
        f"hilseq: test_own.py:4:44: limits 24.5..23.5; expected the low end first, {point}",
        f"hilseq: test_own.py:5:38: Limits: too many positional arguments; expected Limits(low, high), {point}",
        "hilseq: test_own.py:6:22: repeat: missing a required argument: 'count'; expected repeat(measure, count)",
        "hilseq: test_own.py:6:46: there is no live_unit.limits.idel_current; did you mean 'idle_current'?",
        "hilseq: test_own.py:7:5: there is no clock.slep; did you mean 'sleep'?",
        "hilseq: test_own.py:10:5: supply.off is not called; expected supply.off()",
        "hilseq: test_own.py:11:12: live_unit.outputs_enabled is not called; expected live_unit.outputs_enabled()",
        "hilseq: test_own.py:12:5: this assertion always holds; expected assert WHAT, WORDS, without parentheses",
        "hilseq: test_own.py:13:29: 24.1 has no unit and no uncertainty; expected " + value,
        "hilseq: test_own.py:14:22: supply.voltage is not called; expected supply.voltage()",
        f"hilseq: test_own.py:16:1: test_empty {nothing}",
    ]


@pytest.mark.parametrize(
    ("marker", "words"),
    [
        ("place('suply')", "there is no place 'suply'; did you mean 'supply'?"),
        ("place('q99')", "there is no place 'q99'; did you mean 'q01'?"),
        ("stgae('outputs')", "test_own.py:3:1: there is no marker 'stgae'; did you mean 'stage'?"),
        ("stage('conifguration')", "there is no stage 'conifguration'; did you mean 'configuration'?"),
        (
            "parameter('hold', 'tiem')",
            "parameter('hold', 'tiem'): there is no such kind; did you mean 'time'?",
        ),
        ("gates", "test_own.py:3:1: there is no marker 'gates'; did you mean 'gate'?"),
        ("parameter('hold', 'time')", "rh16.yaml:3:1: the parameter 'hold' is missing"),
    ],
)
def test_a_marker_that_does_not_fit_is_reported(tmp_path: Path, marker: str, words: str) -> None:
    """Places, stages, parameters and markers that nobody has."""
    text = f"import pytest\n\n@pytest.mark.{marker}\ndef test_it(unit): pass\n"
    done = check(tmp_path, text)
    assert done.returncode == 2
    assert words in done.stderr


SILENT = """
import pytest, time

@pytest.mark.stage
def test_twice(unit): assert unit

def test_twice(unit): assert unit

async def test_later(unit): assert unit

class TestOwn:
    def test_it(unit): assert unit

def test_waits(unit): time.sleep(2); assert unit
"""


def test_what_would_never_run_is_reported(tmp_path: Path) -> None:
    """What pytest passes over in silence: a check that another one replaces, a coroutine, a marker without its word."""
    done = check(tmp_path, SILENT)
    assert done.returncode == 2
    assert [line.partition(";")[0] for line in done.stderr.splitlines()] == [
        "hilseq: test_own.py:4:2: the marker 'stage' says nothing",
        "hilseq: test_own.py:7:1: test_twice stands here a second time: the one in line 5 would never run",
        "hilseq: test_own.py:9:1: test_later is a coroutine, which is never run",
        "hilseq: test_own.py:12:5: test_it of TestOwn does not begin with self",
        "hilseq: test_own.py:14:23: time.sleep is seen neither by a simulated stand nor by the watch over a real one",
    ]


def test_a_file_that_cannot_be_read_hides_no_other(tmp_path: Path) -> None:
    """What is wrong with the other files of a folder is reported beside it."""
    (tmp_path / "test_broken.py").write_text("def test_it(\n", encoding="utf-8")
    (tmp_path / "test_own.py").write_text("def test_it(live_unti): pass\n", encoding="utf-8")
    done = warm.hilseq("check", ".", *VISIT, cwd=tmp_path)
    assert done.returncode == 2
    meant = "did you mean 'live_unit'?"
    assert done.stderr.splitlines()[:2] == [
        "hilseq: test_broken.py:1: SyntaxError: '(' was never closed",
        f"hilseq: test_own.py:1:1: test_it asks for the fixture 'live_unti', which does not exist; {meant}",
    ]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("own.py", "there is no check in own.py: expected files test_*.py with functions"),
        (
            "onw.py",
            "there is no sequence onw.py: expected a file or a folder of sequences; did you mean 'own.py'?",
        ),
    ],
)
def test_what_holds_no_check_does_not_fit(tmp_path: Path, name: str, words: str) -> None:
    """A file without checks, or a path that is not there, is nothing to be called good."""
    (tmp_path / "own.py").write_text("x = 1\n", encoding="utf-8")
    done = warm.hilseq("check", name, *VISIT, cwd=tmp_path)
    assert done.returncode == 2
    assert words in done.stderr


def test_a_sequence_that_fits_is_reported_so(tmp_path: Path) -> None:
    """The shipped ones do."""
    done = warm.hilseq("check", str(STANDS.parent / "sequences"), *VISIT, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert re.fullmatch(r"\d+ checks of 14 stages: all names fit\n", done.stdout)


def test_an_output_that_nobody_has_is_an_error_in_the_sequence(tmp_path: Path) -> None:
    """In a run it is raised where it is asked for, and is not held against the unit."""
    text = "def test_it(live_unit):\n    live_unit.outputs.drive('q99')\n"
    (tmp_path / "test_own.py").write_text(text, encoding="utf-8")
    done = warm.hilseq(
        "run", "test_own.py", *VISIT, "--serial", "1", "--simulate", "--out", "out", cwd=tmp_path
    )
    assert done.returncode == 3
    summary = (tmp_path / "out" / "summary.json").read_text("ascii")
    words = (
        "error in the sequence: LookupError: there is no output 'q99'; did you mean 'q09'? at test_own.py:2"
    )
    assert words in summary


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "import pytest\nfrom hilseq import Jugde\n",
            ":2: hilseq has no name 'Jugde'; did you mean 'Judge'?",
        ),
        ("import pytest\n\ndef test_it(\n", ":3: SyntaxError: '(' was never closed"),
    ],
)
def test_a_file_that_cannot_be_read_is_reported_in_one_line(tmp_path: Path, text: str, words: str) -> None:
    """File, line and what is wrong, instead of what pytest collects of it."""
    done = check(tmp_path, text)
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert line.endswith(f"test_own.py{words}")
