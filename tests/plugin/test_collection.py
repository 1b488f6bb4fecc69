"""What becomes one check per element, what applies, what is planned, and what a gate keeps undone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests import warm

STANDS = Path(__file__).parents[2] / "stands"
DX08 = ("--stand", STANDS / "dx08-bench.yaml", "--unit", STANDS / "units" / "dx08.yaml", "--serial", "DX-1")
DUO = ("--stand", STANDS / "duo-bench.yaml", "--unit", STANDS / "units" / "rh16.yaml", "--serial", "A=1,B=2")
ELEMENTS = """
import pytest

def test_output(unit, output_point): pass
def test_mode(unit, mode): pass
def test_change(unit, mode_change): pass
def test_port(unit, port): pass
def test_corner(unit, supply_corner): pass
def test_input(unit, input_point): pass

@pytest.mark.needs("battery")
def test_battery(unit): pass

@pytest.mark.needs("stand.loopbacks")
def test_loops(unit): pass
"""


def collected(pytester: pytest.Pytester, *options: object) -> list[str]:
    """Return the ids that pytest collects, without the file."""
    done = warm.pytest("--collect-only", "-q", *map(str, options), cwd=pytester.path)
    return [line.partition("::")[2] for line in done.stdout.splitlines() if "::" in line]


def test_one_check_per_element(pytester: pytest.Pytester) -> None:
    """Readable ids; no check for what the unit or the stand lacks; nothing is started for collecting."""
    pytester.makepyfile(ELEMENTS)
    found = collected(pytester, *DX08)
    assert found == [
        *(f"test_output[q{n}]" for n in range(1, 9)),
        *("test_mode[stopped]", "test_mode[live]"),
        *("test_change[stopped to live]", "test_change[live to stopped]"),
        "test_port[port 1]",
        *("test_corner[lowest supply]", "test_corner[highest supply]"),
    ]
    assert not list(pytester.path.rglob("journal.jsonl"))


def test_one_check_per_slot_and_element(pytester: pytest.Pytester) -> None:
    """With several units every id says whose check it is, and the checks of a unit stand together."""
    pytester.makepyfile(ELEMENTS)
    found = collected(pytester, *DUO)
    assert found[0] == "test_output[A-q01]"
    assert "test_battery[B]" in found
    assert "test_loops[A]" in found
    slots = [identity.partition("[")[2][0] for identity in found]
    assert slots == sorted(slots)
    assert slots.count("A") == slots.count("B")


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("def test_it(output_point, mode): pass", "a check has one element"),
        (
            "@pytest.mark.needs('colour')\ndef test_it(unit): pass",
            ".py:3:1: marker needs('colour'): a profile has no section 'colour'",
        ),
        (
            "@pytest.mark.needs('stand.x')\ndef test_it(unit): pass",
            ".py:3:1: marker needs('stand.x'): a stand file has no section 'x'",
        ),
        (
            "@pytest.mark.stage('Power_On')\ndef test_it(unit): pass",
            ".py:3:1: there is no stage 'Power_On'; did you mean 'power-on'?",
        ),
        (
            "@pytest.mark.stage('stored fault')\ndef test_it(unit): pass",
            ".py:3:1: there is no stage 'stored fault'; did you mean 'stored faults'?",
        ),
        (
            "@pytest.mark.stage('conifguration')\ndef test_it(unit): pass",
            ".py:3:1: there is no stage 'conifguration'; did you mean 'configuration'?",
        ),
        ("@pytest.mark.gates\ndef test_it(unit): pass", "'gates' not found in `markers`"),
    ],
    ids=[
        "two elements",
        "an unknown section",
        "an unknown section of the stand",
        "a stage in other letters",
        "a stage in the singular",
        "a stage misspelt",
        "a marker misspelt",
    ],
)
def test_slips_of_a_sequence(pytester: pytest.Pytester, body: str, words: str) -> None:
    """A slip in a sequence is named before anything is powered."""
    pytester.makepyfile("import pytest\n\n" + body + "\n")
    options = ("--strict-markers", "--simulate", "--out", "out", *DX08)
    done = warm.pytest(*map(str, options), cwd=pytester.path)
    assert done.returncode == 2
    assert words in done.stdout + done.stderr
    assert not (pytester.path / "out" / "journal.jsonl").exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("limit and", "Wrong expression passed to '-k'"),
        ("idel", "no check is selected, by -k, -m or --deselect"),
    ],
)
def test_what_selects_nothing_is_no_visit(pytester: pytest.Pytester, words: str, message: str) -> None:
    """A slip after `-k` ends before anything is powered; no run is left that looks incomplete."""
    pytester.makepyfile("def test_idle(unit): pass\n")
    options = ("--simulate", "--out", "out", "-k", words, *DX08)
    done = warm.pytest(*map(str, options), cwd=pytester.path)
    assert done.returncode == 2
    assert message in done.stdout + done.stderr
    assert not (pytester.path / "out" / "journal.jsonl").exists()


def test_a_stage_of_ones_own_is_no_slip(pytester: pytest.Pytester) -> None:
    """What is named otherwise than the stages of the job stands on its own, also when it begins alike."""
    own = ["output drops", "outputs in the cold", "leak", "ports at night", "soaking in water"]
    tests = [f"@pytest.mark.stage({name!r})\ndef test_{n}(unit): pass\n" for n, name in enumerate(own)]
    pytester.makepyfile("import pytest\n\n" + "\n".join(tests))
    assert collected(pytester, *DX08) == [f"test_{n}" for n in range(len(own))]


VISIT = """
import pytest

pytestmark = pytest.mark.stage("power-on")

@pytest.mark.place("start")
def test_starts(ready_unit):
    '''The unit starts.

    More about it.
    '''
    assert ready_unit

@pytest.mark.gate
@pytest.mark.place("self-test")
def test_gate(ready_unit):
    '''The gate.'''
    assert {gate}

def test_later(ready_unit, output_point):
    '''Later.'''
    assert output_point
"""


def visited(pytester: pytest.Pytester, *options: str, gate: bool) -> tuple[int, list[dict[str, Any]]]:
    """Make a visit of one unit; return the exit code and the journal."""
    pytester.makepyfile(VISIT.replace("{gate}", str(gate)))
    line = [*map(str, DX08), "--simulate", "--out", "out", "-p", "no:cacheprovider", *options]
    done = warm.pytest(*line, cwd=pytester.path)
    lines = (pytester.path / "out" / "journal.jsonl").read_text(encoding="ascii").splitlines()
    return done.returncode, [json.loads(line) for line in lines]


def test_a_closed_gate(pytester: pytest.Pytester) -> None:
    """After a failed gate the later checks are not performed, and say why; the unit has no power then."""
    code, entries = visited(pytester, gate=False)
    ends = [e for e in entries if e["kind"] == "check ended" and "test_" in e["check"]]
    assert [e["verdict"] for e in ends] == ["passed", "failed", *["not performed"] * 8]
    assert ends[2]["why"] == "the gate 'The gate' was failed before it"
    kinds = [(e["kind"], e.get("slot")) for e in entries]
    assert kinds.index(("made safe", "left")) < entries.index(ends[2])
    assert code == 1


def test_the_plan_is_in_the_journal_first(pytester: pytest.Pytester) -> None:
    """Title from the first sentence, stage and place from the markers; missing stages are planned too."""
    code, entries = visited(pytester, gate=True)
    planned = {
        e["check"].partition("::")[2] or e["check"]: e for e in entries if e["kind"] == "check planned"
    }
    assert planned["test_starts"]["title"] == "The unit starts"
    assert planned["test_starts"]["stage"] == "power-on"
    assert planned["test_gate"]["place"] == "self-test"
    assert planned["test_gate"]["gate"] is True
    assert planned["test_later[q3]"]["place"] == "q3"
    assert "stage set-up" in planned
    first = next(n for n, e in enumerate(entries) if e["kind"] == "check started")
    assert all(e["kind"] != "check planned" for e in entries[first:])
    assert code == 3


def test_what_is_left_out_is_reported(pytester: pytest.Pytester) -> None:
    """Deselected checks are not performed, and the unit is incomplete."""
    code, entries = visited(pytester, "-k", "starts", gate=True)
    ended = {e["check"].partition("::")[2]: e for e in entries if e["kind"] == "check ended"}
    assert ended["test_starts"]["verdict"] == "passed"
    assert ended["test_gate"]["why"] == "it was not selected"
    assert code == 3
