"""`hilseq init`: the folder to start from holds what its files speak of, and marks what is to be changed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from hilseq.cli.init import bench_files
from hilseq.description.inspection import inspect
from hilseq.description.loading import load_profile
from tests import warm

#: Files that the documents tell a reader to make.
MADE = {"bench.yaml", "cx4.yaml", "wired.yaml", "wiring.csv", "sheet.html", "golden.json"}


@pytest.fixture(scope="module", name="folder")
def _folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("init")
    done = warm.hilseq("init", "my-bench", cwd=place)
    assert done.returncode == 0, done.stderr
    return place / "my-bench"


def test_every_file_that_is_spoken_of_is_there(folder: Path) -> None:
    """Schemas, guide, topics and reference are in the folder under the names that its files give them."""
    for path in folder.rglob("*"):
        if path.suffix not in (".md", ".yaml", ".py"):
            continue
        text = path.read_text(encoding="utf-8")
        named = set(re.findall(r"[\w/-]+(?:\.schema)?\.(?:md|yaml|json|html|csv)\b", text)) - MADE
        # A command of the guides about the shipped files, and a file that is none: `stand.yaml unit.yaml` of a user.
        missing = {name for name in named if not (folder / name).exists()}
        assert missing <= {"intake.yaml"}, f"{path.name}: {missing}"


def test_what_is_to_be_changed_is_marked(folder: Path) -> None:
    """Each section of the profile, and each address of the stand, stands at a mark."""
    unit = (folder / "unit.yaml").read_text(encoding="utf-8")
    for key in yaml.safe_load(unit):
        assert re.search(rf"^# <== .+\n{key}:", unit, re.MULTILINE), key
    stand = (folder / "stand.yaml").read_text(encoding="utf-8")
    for line in stand.splitlines():
        if re.match(r"\s*(?:resource|address|network|identity|ceilings|calibration|link): ", line):
            assert "<==" in line, line


def test_the_folder_is_whole(folder: Path) -> None:
    """Its two files fit each other, and its sequence asks for nothing that is not there."""
    done = warm.hilseq("inspect", "stand.yaml", "unit.yaml", cwd=folder)
    assert done.returncode == 0, done.stderr
    done = warm.hilseq("check", "checks", "--stand", "stand.yaml", "--unit", "unit.yaml", cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("slots", [1, 8, 30])
def test_a_bench_of_slots_that_are_alike(slots: int, tmp_path: Path) -> None:
    """Stand and profile are sound and fit in every slot, without a finding; what is to be changed is marked."""
    stand, unit = tmp_path / "stand.yaml", tmp_path / "unit.yaml"
    texts = bench_files(slots, 32, 24)
    for path, text in zip((stand, unit), texts, strict=True):
        path.write_text(text, encoding="utf-8")
    found = inspect([stand, unit])
    assert (found.problems, found.warnings) == ((), ())
    assert len(found.fits) == slots
    assert ("A.." in texts[0], "slots that are alike" in texts[0]) == (slots > 1 and slots <= 26, slots > 1)
    points = load_profile(unit).points
    assert (len(points.outputs), len(points.inputs)) == (32, 24)
    assert all(re.search(rf"^# <== .+\n{key}:", texts[1], re.MULTILINE) for key in yaml.safe_load(texts[1]))


def test_a_new_bench_ships_its_good_units(tmp_path: Path) -> None:
    """The two lines that `init` prints, on files that nobody has changed."""
    assert (
        warm.hilseq("init", "b", "--slots", "2", "--outputs", "4", "--inputs", "4", cwd=tmp_path).returncode
        == 0
    )
    files = ("b/stand.yaml", "b/unit.yaml")
    assert warm.hilseq("inspect", *files, cwd=tmp_path).returncode == 0
    visit = ("--stand", files[0], "--unit", files[1], "--serial", "A=TRY-1,B=TRY-2")
    done = warm.hilseq("run", *visit, "--simulate", "--out", "out", cwd=tmp_path)
    assert done.returncode == 0, done.stdout[-3000:]


def test_a_bench_of_many_slots_is_written_as_asked(tmp_path: Path) -> None:
    """The command writes that bench, and says what does not fit into one stand file."""
    done = warm.hilseq("init", "rack", "--slots", "8", "--outputs", "32", "--inputs", "24", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "--serial A=TRY-1,B=TRY-2" in done.stdout
    assert (tmp_path / "rack" / "stand.yaml").read_text(encoding="utf-8").endswith(bench_files(8, 32, 24)[0])
    done = warm.hilseq("init", "more", "--slots", "64", "--outputs", "64", "--inputs", "64", cwd=tmp_path)
    assert done.returncode == 2
    assert "one stand file holds at most 4096" in done.stderr
    assert not (tmp_path / "more").exists()
