"""Kinds of defect from outside the repository: a file of one's own."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from hilseq_sim.__main__ import main
from hilseq_sim.defects.catalogue import CATALOGUE

from hilseq import resources
from tests import warm

STANDS = resources.folder("stands")
VISIT = ["--stand", str(STANDS / "sim-bench.yaml"), "--unit", str(STANDS / "units" / "rh16.yaml")]


@pytest.fixture(autouse=True)
def _same_catalogue_after() -> Iterator[None]:
    """Take the kinds of a test out of this process again."""
    before = dict(CATALOGUE)
    yield
    CATALOGUE.clear()
    CATALOGUE.update(before)


def _example() -> str:
    manual = (Path(__file__).parents[2] / "sim" / "README.md").read_text(encoding="utf-8")
    return manual.partition("<!-- own defects -->\n```python\n")[2].partition("```")[0]


@pytest.mark.whole_run
def test_the_example_of_the_manual_is_found_and_placed(tmp_path: Path) -> None:
    """An output that is late and weak is no kind of the catalogue; the visit sends the unit to repair for it."""
    file = tmp_path / "own.py"
    file.write_text(_example(), encoding="utf-8")
    line = [
        "run",
        *(
            str(resources.folder("sequences") / name)
            for name in ("test_10_power_on.py", "test_60_outputs.py")
        ),
        *VISIT,
        "--serial",
        "RH-1",
        "--simulate",
        "--defects",
        str(file),
        "--defect",
        "output-tired@q03",
    ]
    done = warm.hilseq(*line, "--out", str(tmp_path / "run"), cwd=tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    summary = json.loads((tmp_path / "run" / "summary.json").read_text(encoding="utf-8"))
    assert "q03" in {finding["place"] for finding in summary["units"][0]["findings"]}


def test_the_catalogue_has_it_for_the_coverage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What `hilseq coverage` draws from holds the kind of the file, with its places."""
    file = tmp_path / "own.py"
    file.write_text(_example().replace("output-tired", "output-weary"), encoding="utf-8")
    assert main([*VISIT, "--catalogue", "--defects", str(file)]) == 0
    (row,) = [row for row in json.loads(capsys.readouterr().out) if row["kind"] == "output-weary"]
    assert {"place": "q03", "located": ["q03"]} in row["spots"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("KINDS = 5\n", "no list of kinds"),
        ("KINDS = ['output-weak']\n", "is no kind of defect"),
        ("def\n", "SyntaxError"),
        ("import nothing_of_that_name\n", "ModuleNotFoundError"),
        (None, "cannot be read"),
    ],
)
def test_a_file_that_is_wrong_is_said_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str | None, words: str
) -> None:
    """One line that names the file, and exit code 2."""
    file = tmp_path / "own.py"
    if text is not None:
        file.write_text(text, encoding="utf-8")
    assert main([*VISIT, "--catalogue", "--defects", str(file)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert str(file) in said
    assert words in said


def test_a_name_that_is_taken_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No kind of the catalogue is replaced in silence."""
    file = tmp_path / "own.py"
    file.write_text(_example().replace("output-tired", "output-weak"), encoding="utf-8")
    assert main([*VISIT, "--catalogue", "--defects", str(file)]) == 2
    assert "there is a defect 'output-weak' already" in capsys.readouterr().err
