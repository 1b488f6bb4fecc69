"""What others show of a visit: JUnit XML in a public parser, Allure results in the generator's own page."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from junitparser import JUnitXml, Properties

from hilseq.reports.allure import build_allure
from tests import warm
from tests.chromium import DEADLINE, Browser
from tests.end_to_end.conftest import ROOT, STANDS

#: Two stages, so that there is something to group by.
FEW = [str(ROOT / "sequences" / name) for name in ("test_10_power_on.py", "test_60_outputs.py")]


@pytest.fixture(scope="module", name="folder")
def _folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One visit of a unit with two outputs shorted together."""
    place = tmp_path_factory.mktemp("readers")
    line = ["run", *FEW, "--stand", str(STANDS / "sim-bench.yaml"), "--unit", "RH16", "--serial", "RH-7"]
    line += ["--simulate", "--defect", "outputs-shorted@q05+q06", "--out", "visit"]
    done = warm.hilseq(*line, cwd=place)
    assert done.returncode == 1, done.stdout + done.stderr
    return place / "visit"


def test_a_parser_of_junit_reads_unit_stage_and_sentence(folder: Path) -> None:
    """The suite names the unit and its disposition, a case its stage and unit, a failure is a sentence."""
    suite: Any
    (suite,) = JUnitXml.fromfile(str(folder / "junit.xml"))
    assert suite.name == "RH16 RH-7 on sim-bench"
    reported = {entry.name: entry.value for entry in suite.properties()}
    assert reported == {
        "run": "visit",
        "stand": "sim-bench",
        "unit in slot A": "RH16 RH-7",
        "part": "RH16",
        "serial": "RH-7",
        "slot": "A",
        "disposition": "repair",
        "cause 1": "q05 and q06: shorted, wired-or",
        "look at 1": "output driver",
    }
    cases = list(suite)
    assert {case.classname for case in cases} == {"power-on", "outputs"}
    failed = {
        case.name: case for case in cases if any(type(end).__name__ == "Failure" for end in case.result)
    }
    assert set(failed) == {"test_follows[q05]", "test_follows[q06]"}
    case = failed["test_follows[q05]"]
    of_case = {entry.name: entry.value for entry in case.child(Properties)}
    expected = {
        "part": "RH16",
        "serial": "RH-7",
        "slot": "A",
        "stage": "outputs",
        "place": "q05",
        "verdict": "failed",
    }
    assert expected.items() <= of_case.items()
    (failure,) = case.result
    assert failure.message == failure.text == "q05 and q06: shorted, wired-or"


def _results(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(path.read_bytes()) for path in (folder / "allure-results").glob("*-result.json")]


def test_an_allure_result_is_in_one_suite_and_one_is_the_disposition(folder: Path) -> None:
    """Suites are stages; the disposition is a result of its own, failed for repair, its steps what to repair."""
    found = _results(folder)
    for result in found:
        suites = [label["value"] for label in result["labels"] if "suite" in label["name"].lower()]
        assert len(suites) == 1, result["name"]
    (whole,) = [result for result in found if result["name"] == "RH16 RH-7: REPAIR"]
    assert whole["status"] == "failed"
    assert whole["start"] <= min(result["start"] for result in found)
    assert [step["name"] for step in whole["steps"]] == [
        "q05 and q06: shorted, wired-or",
    ]
    assert "shorted, wired-or" in whole["statusDetails"]["message"]
    assert "repair it" in whole["description"]


@pytest.mark.browser
@pytest.mark.allure
def test_the_page_of_allure_begins_with_the_repair(folder: Path, tmp_path: Path) -> None:
    """The generated page has the unit for its title and the repair before every stage."""
    page = build_allure(folder, tmp_path)
    with Browser(tmp_path / "profile") as browser:
        browser.open(page, 1200)
        until = time.monotonic() + DEADLINE
        while "power-on" not in (seen := str(browser.value("document.body.innerText"))):
            assert time.monotonic() < until, seen
    title, _, rest = seen.partition("\ndisposition\n")
    assert "RH16 RH-7: REPAIR" in title
    lines = [line for line in rest.splitlines() if line in ("RH16 RH-7: REPAIR", "power-on", "outputs")]
    assert lines == ["RH16 RH-7: REPAIR", "power-on", "outputs"]
