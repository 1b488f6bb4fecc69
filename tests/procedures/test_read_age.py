"""Reads that are old: measured through a loop-back, waited for at every look, named where they are too old."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from hilseq import resources
from hilseq.description.loading import load_stand
from hilseq.procedures.scan_time import ASSUMED, MOST_LATE, ReadAge, measure_read_age
from hilseq.stepped import SteppedClock
from hilseq.twin import Twin, repoint
from tests import warm

STANDS = resources.folder("stands")
UNIT = STANDS / "units" / "rh16.yaml"


@pytest.fixture
def measured(tmp_path: Path) -> Iterator[object]:
    """Measure the age of the reads of the shipped bench's I/O, with a section `twin` and defects."""
    open_twins: list[Twin] = []

    def measure(twin: str = "", *defects: str) -> ReadAge | None:
        from hilseq.procedures.bench import Bench

        path = tmp_path / "stand.yaml"
        path.write_text((STANDS / "sim-bench.yaml").read_text(encoding="utf-8") + twin, encoding="utf-8")
        served = Twin(path, {"A": UNIT}, serials={"A": "RH-1"}, defects=defects)
        open_twins.append(served)
        stand = repoint(load_stand(path), served.endpoints)
        assert stand.simulated_clock is not None
        clock = SteppedClock(stand.simulated_clock)
        bench = Bench(stand, {}, {}, clock, lambda *_: None)
        try:
            return measure_read_age("rack", stand, ("A",), bench.signals, clock)
        finally:
            bench.close()
            clock.close()

    yield measure
    for served in open_twins:
        served.close()


def test_an_io_that_looks_at_every_read_is_not_late(measured: object) -> None:
    """What is found is the travel of the relay: 5 ms of 20 ms, and a look."""
    age = measured()  # type: ignore[operator]
    assert age.right
    assert 0.005 <= age.seconds <= 0.008


@pytest.mark.parametrize("scan", [10, 50])
def test_the_age_of_a_scan_is_found(measured: object, scan: int) -> None:
    """Never less than nine tenths of the scan, never more than travel, scan and margin."""
    age = measured(f"twin: {{scan-time: {scan} ms, scan-jitter: 0}}\n")  # type: ignore[operator]
    assert 0.9e-3 * scan <= age.seconds <= 1.1 * (0.007 + 1e-3 * scan)
    assert age.right


def test_slow_answers_hide_no_scan(measured: object) -> None:
    """Exchanges that take longer than a scan show the sense at the first look: the scan is counted all the same."""
    age = measured("twin: {scan-time: 25 ms, scan-jitter: 0, answer: 60..120 ms}\n")  # type: ignore[operator]
    assert age.seconds < 0.025 < age.awaited <= ASSUMED
    assert "that its answers hide" in age.words
    stated = ReadAge("rack", 0.004, 0.02, hidden=0.05)
    assert stated.awaited == 0.02


def test_a_path_that_never_follows_says_nothing_of_the_age(measured: object) -> None:
    """A broken wire is for the test of the loop-backs."""
    assert measured("", "broken-wire@loop-in") is None  # type: ignore[operator]


def test_what_is_too_old_is_said_once_and_of_the_io() -> None:
    """The sentence names the age and what was expected."""
    assert ReadAge("rack", 0.06, None).words == "late reads (60 ms), waited for at every look"
    late = ReadAge("rack", 0.6, None)
    assert not late.right
    assert late.words.startswith(f"late reads (600 ms); expected {1e3 * MOST_LATE:.0f} ms at most")
    stated = ReadAge("rack", 0.06, 0.02)
    assert not stated.right
    assert "expected 20 ms by the stand file" in stated.words


@pytest.mark.whole_run
def test_an_io_with_old_values_is_the_stands_fault(tmp_path: Path) -> None:
    """Values 0.6 s old are found in set-up, on the I/O and not on its signals, and nothing is said of the unit."""
    line = ["run", "--stand", str(STANDS / "sim-bench.yaml"), "--unit", str(UNIT), "--serial", "RH-1"]
    line += ["--simulate", "--defect", "io-reads-late,severity=0.6", "--out", str(tmp_path / "run")]
    assert warm.hilseq(*line, cwd=tmp_path).returncode == 4
    summary = json.loads((tmp_path / "run" / "summary.json").read_text(encoding="utf-8"))
    (finding,) = {f["place"]: f for f in summary["units"][0]["findings"]}.values()
    assert finding["place"] == "io rack"
    assert "io rack: late reads (6" in finding["what"]


@pytest.mark.whole_run
def test_a_good_unit_ships_on_a_stand_that_takes_its_time(tmp_path: Path) -> None:
    """Snapshots every 50 ms, sensors that lag as the stand file says, slow answers, one connection: the unit ships."""
    path = tmp_path / "stand.yaml"
    twin = "twin: {scan-time: 40 ms, scan-jitter: 0.1, answer: 1..60 ms, accept: 100 ms, single-connection: true}\n"
    path.write_text((STANDS / "sim-bench.yaml").read_text(encoding="utf-8") + twin, encoding="utf-8")
    line = ["run", "--stand", str(path), "--unit", str(UNIT), "--serial", "RH-1", "--simulate"]
    done = warm.hilseq(*line, "--out", str(tmp_path / "run"), cwd=tmp_path)
    assert done.returncode == 0, done.stdout[-2000:]
