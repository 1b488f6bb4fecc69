"""A gauge study out of the records, on the data of a published one; and what they know of a reading beforehand."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from statistics import stdev
from typing import Any

import pytest

from hilseq.errors import UsageError
from hilseq.plugin.other_runs import populations_known
from hilseq.records.database import Database, open_database
from hilseq.records.history import present
from hilseq.records.history.answer import as_json, render
from hilseq.records.history.gauge import gauge
from hilseq.records.importing import import_run
from tests.records.conftest import DAY_ONE

#: Flight times: 3 prototypes, 3 operators, 3 runs (package SixSigma 0.11.1 of R, data ss.data.rr).
FLIGHTS = {
    ("P1", "north"): (1.27, 0.90, 1.09), ("P1", "south"): (1.34, 1.32, 1.27), ("P1", "west"): (1.09, 1.26, 1.09),
    ("P2", "north"): (1.12, 1.09, 1.15), ("P2", "south"): (1.24, 1.00, 1.14), ("P2", "west"): (1.48, 1.15, 1.15),
    ("P3", "north"): (1.73, 1.28, 1.77), ("P3", "south"): (1.64, 1.65, 1.77), ("P3", "west"): (1.64, 1.44, 1.68),
}  # fmt: skip
PART, NAME = "RH-16", "time of flight"


@pytest.fixture(scope="module")
def flights(kit: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """Give records of these 27 visits, of one more unit that was on one stand only, and of a single reading."""
    folder = tmp_path_factory.mktemp("flights")
    reported = [(serial, stand, value) for (serial, stand), values in FLIGHTS.items() for value in values]
    reported += [("P4", "north", 9.0), ("P4", "north", 9.0)]
    with open_database(f"sqlite:///{folder / 'records.sqlite'}") as database:
        for number, (serial, stand, value) in enumerate(reported):
            reading = kit["Measured"](NAME, value, unit="s", low=0.0, high=4.0)
            alone = kit["Measured"]("alone", value, unit="s", low=0.0, high=4.0)
            checks = [kit["Checked"](readings=(reading, alone) if number == 0 else (reading,))]
            story = kit["Story"](
                serial=serial, stand=stand, checks=checks, at=DAY_ONE + timedelta(hours=number)
            )
            import_run(database, kit["tell_story"](folder / f"run-{number:02d}", story))
        yield database


def test_the_published_study_comes_out_of_the_records(flights: Database) -> None:
    """Gauge 0.0218823, total 0.0862212, 50.38 % of the study variation, 2 categories (SixSigma, unit tests)."""
    (found,) = gauge(flights, PART, NAME)
    assert (found.units, found.repeats, len(found.slots)) == (("P1", "P2", "P3"), 3, 3)
    assert (found.study.gauge, found.study.total) == pytest.approx((0.0218823, 0.0862212), rel=1e-5)
    assert found.width == 4.0
    answer = present.of_gauge([found], PART, NAME)
    assert "makes 50.4 % of the standard deviation (3 units, 3 times each in" in answer.sentences[0]
    assert "distinguishes 2 groups" in answer.sentences[0]
    assert "Six of its standard deviations are 22.2 % of the limits." in answer.sentences[0]  # 0.8875594 of 4
    assert "repeatability" in render(answer, "here")
    assert "0.02188" in as_json(answer)
    (whole,) = gauge(flights, PART, NAME, by_stand=True)
    assert whole.slots == ("north", "south", "west")


def test_without_repeats_in_two_slots_there_is_no_study(flights: Database) -> None:
    with pytest.raises(UsageError, match="no two units were measured twice or more in the same two slots"):
        gauge(flights, PART, "alone")


def test_the_prior_of_a_reading_is_its_spread_over_all_visits(
    flights: Database, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """From 20 values on, with the place; simulated runs, other parts and single readings tell nothing."""
    monkeypatch.setenv("HILSEQ_RECORDS", str(flights))
    values = [value for several in FLIGHTS.values() for value in several] + [9.0, 9.0]
    known: Callable[..., Any] = populations_known
    (found,) = known(tmp_path, PART, [NAME, "alone"], simulated=False)
    assert (found.name, found.place, found.unit, found.count) == (NAME, "supply", "s", 29)
    assert (found.mean, found.deviation) == pytest.approx((sum(values) / 29.0, stdev(values)))
    assert known(tmp_path, PART, [NAME], simulated=True) == ()
    assert known(tmp_path, "other", [NAME], simulated=False) == ()
    assert known(tmp_path, PART, [], simulated=False) == ()
