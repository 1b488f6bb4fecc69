"""`hilseq ready`, and the same looks as the first stage of a visit."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from tests import warm
from tests.end_to_end.conftest import ROOT, STANDS, MakeVisit

RH16 = STANDS / "units" / "rh16.yaml"
SIM = STANDS / "sim-bench.yaml"
DEFECTS = {
    "supply-silent": ("instruments", "supply main", "did not answer"),
    "wrong-instrument@io rack": ("instruments", "io rack", "expects 'IO-64'"),
    "interlock-open": ("interlocks", "interlock cover", "the protective cover is open"),
    "dead-channel@loop-in": ("loop-backs", "loop-back spare relay", "should show 1 and shows 0"),
    "broken-wire@i16": ("loop-backs", "loop-back at i16", "with i16 at 1 bi16 should show 1 and shows 0"),
    "dead-channel@ai2": ("loop-backs", "loop-back at ai2", "with ai2 at 4 mA bai2 should show 4 mA"),
}


def ready(*options: str, cwd: Path, stand: Path = SIM) -> warm.Done:
    """Run `hilseq ready` on a simulated stand."""
    return warm.hilseq("ready", "--stand", str(stand), "--simulate", *options, cwd=cwd)


def looks(*options: str, cwd: Path, stand: Path = SIM) -> tuple[int, list[dict[str, Any]]]:
    """Return the exit code and everything that was looked at."""
    done = ready("--json", *options, cwd=cwd, stand=stand)
    answer = json.loads(done.stdout)
    assert answer["exit_code"] == done.returncode
    assert answer["ready"] is (done.returncode == 0)
    return done.returncode, answer["looks"]


def test_a_good_stand_is_ready(tmp_path: Path) -> None:
    """Every topic is looked at, everything is right, and nothing but the answer is printed."""
    code, found = looks("--unit", str(RH16), "--power", cwd=tmp_path)
    assert code == 0, found
    assert {look["topic"] for look in found} == {
        *("as found", "instruments", "calibration", "interlocks", "supply at zero", "I/O at zero"),
        *("late reads", "loop-backs", "ports", "addresses", "profile", "under power", "neighbours"),
    }
    assert all(look["right"] for look in found)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("defect", "expected"), DEFECTS.items(), ids=str)
def test_a_bad_stand_is_not_ready(tmp_path: Path, defect: str, expected: tuple[str, str, str]) -> None:
    """Each defect is named where it is, in words; everything else is still looked at; exit code 4."""
    code, found = looks("--unit", str(RH16), "--defect", defect, cwd=tmp_path)
    assert code == 4
    wrong = [look for look in found if look["right"] is False and look["topic"] != "safe state"]
    assert [(look["topic"], look["what"]) for look in wrong] == [expected[:2]]
    assert expected[2] in wrong[0]["words"]
    assert "calibration" in {look["topic"] for look in found}


def test_a_neighbour_of_another_kind(tmp_path: Path) -> None:
    """With the unit powered, what it reports in each rack position is held against the stand file."""
    stand = tmp_path / "stand.yaml"
    text = SIM.read_text(encoding="utf-8").replace("2: DO16", "2: DI16")
    stand.write_text(text, encoding="utf-8")
    options = ("--unit", str(RH16), "--power", "--defect", "neighbour-wrong@neighbour 2")
    code, found = looks(*options, cwd=tmp_path, stand=stand)
    (wrong,) = [look for look in found if look["right"] is False]
    assert (code, wrong["what"]) == (4, "neighbour 2 of slot A")
    assert "the stand file says DI16: look which one is fitted" in wrong["words"]


def test_an_overdue_calibration_is_a_stand_fault(tmp_path: Path, visit: MakeVisit) -> None:
    """A date that has passed makes the stand not ready, and a visit a stand fault before any power."""
    stand = tmp_path / "stand.yaml"
    text = SIM.read_text(encoding="utf-8")
    stand.write_text(text.replace("SIM-PS-1, due: 2099-12-31", "SIM-PS-1, due: 2020-01-31"), encoding="utf-8")
    code, found = looks(cwd=tmp_path, stand=stand)
    (wrong,) = [look for look in found if look["right"] is False]
    assert code == 4
    assert (wrong["what"], wrong["words"]) == ("supply main", "calibration overdue: it held until 2020-01-31")
    done = visit(str(ROOT / "sequences" / "test_05_set_up.py"), stand=stand)
    assert (done.code, done.disposition) == (4, "stand fault")
    assert done.places == {"supply main"}
    assert '"what":"supply on"' not in (done.folder / "journal.jsonl").read_text(encoding="ascii")


@pytest.mark.parametrize(
    "defect", ["broken-wire@i16", "dead-channel@loop-out", "wrong-instrument@supply main"]
)
def test_a_failing_stand_is_found_before_the_unit_is(visit: MakeVisit, defect: str) -> None:
    """In a visit the same looks come first: a stand fault, no power, nothing against the unit."""
    done = visit("--defect", defect)
    assert (done.code, done.disposition) == (4, "stand fault"), done.out[-3000:]
    assert set(done.verdicts().values()) <= {"passed", "stand fault", "not performed"}
    assert '"what":"supply on"' not in (done.folder / "journal.jsonl").read_text(encoding="ascii")


def test_somebody_else_at_the_address_of_the_unit(tmp_path: Path) -> None:
    """What answers while the unit has no power is not the unit: here, a device of another stand."""
    with serve(tmp_path / "own.yaml") as own, serve(tmp_path / "other.yaml") as other:
        file = tmp_path / "own.yaml"
        content = file.read_text(encoding="utf-8").replace(own["link A"], other["io rack"])
        file.write_text(content, encoding="utf-8")
        done = warm.hilseq("ready", "--stand", str(file), "--unit", str(RH16), "--json", cwd=tmp_path)
    wrong = [look["words"] for look in json.loads(done.stdout)["looks"] if look["right"] is False]
    assert done.returncode == 4
    assert len(wrong) == 1
    assert wrong[0].startswith("something answers there though the unit has no power: another device")


@contextmanager
def serve(stand_out: Path) -> Iterator[dict[str, str]]:
    """Serve a stand of our own; give its addresses."""
    line = [sys.executable, "-m", "hilseq", "simulate", "--stand", str(SIM), "--unit", str(RH16), "--stepped"]
    with subprocess.Popen(
        [*line, "--stand-out", str(stand_out)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as twin:
        assert twin.stdout is not None
        names: dict[str, str] = {}
        while "stand file" not in names:
            name, _, address = twin.stdout.readline().strip().partition(": ")
            names[name] = address
        try:
            yield names
        finally:
            twin.terminate()


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (("--power",), "--unit"),
        (("--unit", "nowhere.yaml"), "nowhere.yaml"),
        (("--defect", "no-such-thing"), "no-such-thing"),
    ],
    ids=["power without a unit", "a missing file", "an unknown defect"],
)
def test_bad_input_is_code_2(tmp_path: Path, options: tuple[str, ...], word: str) -> None:
    """One clear line, exit code 2, no traceback."""
    done = ready(*options, cwd=tmp_path)
    assert done.returncode == 2, done.stdout
    assert word in done.stderr
    assert "Traceback" not in done.stderr


class _Page(HTMLParser):
    """Collects what a page would load, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.loads: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.loads += [f"{tag} {value}" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_set_up_sheet(tmp_path: Path) -> None:
    """Adapters, cables, positions, neighbours, loads, cautions: as text, and as a page that loads nothing."""
    text, page = tmp_path / "sheet.txt", tmp_path / "sheet.html"
    for target in (text, page):
        assert ready("--unit", str(RH16), "--setup-sheet", str(target), cwd=tmp_path).returncode == 0
    parsed = _Page()
    parsed.feed(page.read_text(encoding="utf-8"))
    assert parsed.loads == []
    for words in (
        *("serial adapter 1 and cable S1", "load board", "rack position 2", "DO16", "/dev/ttyUSB0"),
        *("192.0.2.10", "mode switch", "the protective cover is open", "capacitors stay charged"),
    ):
        assert words in text.read_text(encoding="utf-8"), words
        assert words in parsed.text, words


def test_hostile_words_stay_words_on_the_sheet(tmp_path: Path) -> None:
    """What a stand file says is escaped in the page and made visible in the text."""
    stand = tmp_path / "stand.yaml"
    text = SIM.read_text(encoding="utf-8")
    hostile = '"<script>alert(1)</script>"'
    stand.write_text(text.replace("{item: load board", f"{{item: {hostile}"), encoding="utf-8")
    target = tmp_path / "sheet.html"
    assert ready("--setup-sheet", str(target), cwd=tmp_path, stand=stand).returncode == 0
    assert "<script>" not in target.read_text(encoding="utf-8")
    assert "&lt;script&gt;" in target.read_text(encoding="utf-8")
