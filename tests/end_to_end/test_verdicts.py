"""Good units ship, defective ones go to repair at the right place, and a bad stand is never their fault."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from hilseq.description.loading import load_profile
from hilseq.journal.entries import Reading
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.signatures import Trust, read_signatures
from hilseq.plugin.journal_signing import SIGNED_EVERY
from hilseq.records.database import FILE_NAME, open_database
from hilseq.records.heads import witness_of
from tests.end_to_end.conftest import ROOT, STANDS, MakeVisit
from tests.hasty import hasty_stand
from tests.junit import assert_is_junit, properties_of

#: Defect -> the places that are reported, and the sequences besides the first ones that meet it; `hilseq coverage`, and
#: the demo with two of them, run all.
UNIT_DEFECTS = {
    "output-stuck-on@q05": ({"q05"}, "60_outputs"),
    "output-stuck-off@q05": ({"q05"}, "60_outputs"),
    "outputs-shorted@q05+q06": ({"q05", "q06"}, "60_outputs"),
    "mode-contact-open@held": ({"mode held"}, "50_modes"),
    "self-test-fails": ({"self-test"}, "20_identity"),
    "no-start": ({"start"}, "60_outputs"),
    "configuration-not-kept": ({"configuration"}, "40_configuration"),
    "live-while-held": ({"mode held"}, "50_modes"),
}
#: What every visit begins with.
FIRST = [str(ROOT / "sequences" / f"test_{name}.py") for name in ("05_set_up", "10_power_on")]
#: Enough of them to judge by, where it does not matter by which.
FEW = [
    str(ROOT / "sequences" / name)
    for name in ("test_10_power_on.py", "test_60_outputs.py", "test_80_ports.py")
]
STAND_DEFECTS = {
    "supply-silent": "supply main",
    "io-silent": "io rack",
    "io-garbage": "io rack",
}


def test_a_good_unit_ships(visit: MakeVisit, tmp_path: Path) -> None:
    """A unit without a defect ships, with other tolerances than the demo's, which ships too.

    Its journal was signed each minute, and records beside it have seen each of these heads. Every reading says what
    its uncertainty is made of.
    """
    open_database(runs=tmp_path).close()
    done = visit("--seed", "1")
    assert (done.code, done.disposition) == (0, "ship"), done.out[-2000:]
    assert set(done.verdicts().values()) == {"passed"}
    assert not done.unit["findings"]
    journal, heads = read_journal(done.folder), read_signatures(done.folder).heads
    assert len(heads) >= journal.entries[-1].t / (2 * SIGNED_EVERY)
    budgets = {reading.name: [term.name for term in reading.terms] for reading in journal.of(Reading)}
    assert [name for name, terms in budgets.items() if not terms or "combined" in terms] == []
    assert [head.final for head in heads] == [False] * (len(heads) - 1) + [True]
    answer = witness_of(str(tmp_path / FILE_NAME))(journal, run_state(journal))
    assert answer.answer is Trust.AGREE
    assert f"{len(heads)} times" in answer.reported


def test_a_dead_port_may_be_its_cable(visit: MakeVisit) -> None:
    """One port alone carries nothing: a known good unit decides."""
    done = visit(*FIRST, str(ROOT / "sequences" / "test_80_ports.py"), "--defect", "port-dead@port 2")
    assert (done.code, done.places) == (3, {"port 2"}), done.out[-2000:]
    assert any("unit or harness" in check["why"] for check in done.unit["checks"])


@pytest.mark.parametrize("defect", UNIT_DEFECTS)
def test_a_defective_unit_goes_to_repair(visit: MakeVisit, defect: str) -> None:
    """The defect is found, and at least one finding names its place."""
    places, met_by = UNIT_DEFECTS[defect]
    done = visit(*FIRST, str(ROOT / "sequences" / f"test_{met_by}.py"), "--defect", defect)
    assert (done.code, done.disposition) == (1, "repair"), done.out[-2000:]
    assert places <= done.places
    assert "stand fault" not in done.verdicts().values()
    assert_is_junit(done.folder / "junit.xml")


@pytest.mark.parametrize(("defect", "place"), STAND_DEFECTS.items(), ids=list(STAND_DEFECTS))
def test_a_bad_stand_is_never_the_units_fault(
    visit: MakeVisit, tmp_path: Path, defect: str, place: str
) -> None:
    """A stand that fails gives exit code 4 and a finding about the stand; no check of the unit failed."""
    done = visit("--defect", defect, stand=hasty_stand(tmp_path))
    assert (done.code, done.disposition) == (4, "stand fault"), done.out[-2000:]
    assert place in done.places
    assert "failed" not in done.verdicts().values()
    assert_is_junit(done.folder / "junit.xml")


def test_a_unit_with_nothing_in_common_ships(visit: MakeVisit) -> None:
    """The second unit, on its own stand, ships without a line of code for it."""
    done = visit(stand=STANDS / "dx08-bench.yaml", unit=STANDS / "units" / "dx08.yaml", serial="DX-7")
    assert (done.code, done.disposition) == (0, "ship"), done.out[-2000:]


def test_a_defect_of_the_second_unit_is_found(visit: MakeVisit) -> None:
    """The same sequences find a defect of the second unit."""
    unit = STANDS / "units" / "dx08.yaml"
    output = next(iter(load_profile(unit).points.outputs))
    defect = f"output-stuck-off@{output}"
    met_by = str(ROOT / "sequences" / "test_60_outputs.py")
    stand = STANDS / "dx08-bench.yaml"
    done = visit(*FIRST, met_by, "--defect", defect, stand=stand, unit=unit, serial="DX-7")
    assert (done.code, done.disposition) == (1, "repair")
    assert output in done.places


def test_every_promised_file_is_there(visit: MakeVisit) -> None:
    """A run leaves journal, JUnit XML, Allure results, summary and one page per unit."""
    done = visit(*FEW)
    names = {path.name for path in done.folder.iterdir()}
    assert {"journal.jsonl", "junit.xml", "allure-results", "summary.json", "report-RH-000101.html"} <= names
    cases = ET.parse(done.folder / "junit.xml").getroot().findall(".//testcase")
    assert len(cases) == len([check for check in done.verdicts() if "::" in check])
    assert_is_junit(done.folder / "junit.xml")
    reported = properties_of(done.folder / "junit.xml", "test_current_when_idle")
    assert re.fullmatch(r"\d+\.\d+ mA ± .* mA \(.* mA\): conforms", reported["reading idle current"])
    results = [
        json.loads(path.read_bytes()) for path in (done.folder / "allure-results").glob("*-result.json")
    ]
    titles = {result["name"] for result in results}
    assert "q05: Output switching, isolation and delay" in titles
    for check in done.unit["checks"]:
        assert set(check) == {"id", "sequence", "verdict", "why", "obstacle", "readings"}
        for reading in check["readings"]:
            assert set(reading) == {"name", "value", "unit", "uncertainty", "low", "high", "verdict"}


def test_plain_pytest_gives_the_same_verdicts(visit: MakeVisit, tmp_path: Path) -> None:
    """`pytest sequences --stand …` judges as `hilseq run` does, and ends with the same exit code."""
    import subprocess
    import sys

    ours = visit(*FEW, "--defect", "output-stuck-on@q05")
    folder = tmp_path / "plain"
    line = [sys.executable, "-m", "pytest", *FEW, "-q", "--stand"]
    line += [str(STANDS / "sim-bench.yaml"), "--unit", str(STANDS / "units" / "rh16.yaml")]
    line += ["--serial", "RH-000101", "--simulate", "--defect", "output-stuck-on@q05", "--out", str(folder)]
    done = subprocess.run(line, capture_output=True, text=True, check=False, timeout=280)
    assert done.returncode == ours.code
    theirs = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert theirs["units"] == ours.summary["units"]
    assert "REPAIR  RH16 RH-000101" in done.stdout
