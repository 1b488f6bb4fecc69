"""Which action cured what: counted by units, reported with exact bounds, and never from a few."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from hilseq.records.database import Database
from hilseq.records.history.part import pareto
from hilseq.records.history.repairs import cure_rates, repairs
from hilseq.records.importing import import_run
from tests.records.conftest import DAY_ONE

BATTERY = {"repair": "Memory battery"}


def _visit(serial: str, day: int, *, fails: bool, checked: Any, **more: Any) -> dict[str, Any]:
    check = checked(
        verdict="failed" if fails else "passed", why="lost" if fails else "", place="configuration"
    )
    return {"serial": serial, "at": DAY_ONE + timedelta(days=day), "checks": [check], **more}


def test_a_repair_counts_once_a_unit_and_only_after_a_failure(
    database: Database, make_run: Any, checked: Any
) -> None:
    """Six units came back with a new battery: five shipped, one failed again; what had not failed does not count."""
    for number in range(6):
        serial = f"SN-{number}"
        import_run(database, make_run(**_visit(serial, 0, fails=True, checked=checked)))
        import_run(
            database, make_run(**_visit(serial, 1, fails=number == 5, checked=checked, intake=BATTERY))
        )
    import_run(database, make_run(**_visit("SN-5", 2, fails=False, checked=checked, intake=BATTERY)))
    import_run(database, make_run(**_visit("SN-9", 0, fails=False, checked=checked, intake=BATTERY)))
    (found,) = repairs(database, "RH-16")
    assert (found.action, found.units, found.cured) == ("memory battery", 6, 5)
    (rate,) = cure_rates(database, "RH-16")
    # Clopper and Pearson 1934: 5 of 6 at 95 %, 0.3588 to 0.9958 (from memory; the tests of the bounds have sources).
    assert (rate.low, rate.high) == pytest.approx((0.3588, 0.9958), abs=5e-4)


def test_of_a_few_units_no_rate_is_reported(database: Database, make_run: Any, checked: Any) -> None:
    for number in range(4):
        import_run(database, make_run(**_visit(f"SN-{number}", 0, fails=True, checked=checked)))
        import_run(
            database, make_run(**_visit(f"SN-{number}", 1, fails=False, checked=checked, intake=BATTERY))
        )
    assert repairs(database, "RH-16")[0].units == 4
    assert cure_rates(database, "RH-16") == []


def test_the_pareto_counts_causes_and_not_the_checks_that_saw_them(
    database: Database, make_run: Any, checked: Any
) -> None:
    """A short between two outputs, seen by three checks, is one cause with two places."""
    reported = {"verdict": "failed", "why": "q05 and q06: shorted", "stage": "outputs"}
    checks = [
        checked(name="test_o.py::test_follows[q05]", place="q05", **reported),
        checked(name="test_o.py::test_follows[q06]", place="q06", **reported),
        checked(
            name="test_c.py::test_together",
            place="inputs",
            places=("q05", "q06"),
            verdict="failed",
            why="wrong",
        ),
    ]
    import_run(database, make_run(checks=checks))
    found = pareto(database, "RH-16")
    assert [(one.place, one.kind, one.times) for one in found.causes] == [("q05, q06", "follows", 1)]
