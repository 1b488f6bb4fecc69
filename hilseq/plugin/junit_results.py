"""What JUnit XML says of a visit beside pytest's own words: the unit as properties, its checks by stage.

A test case is of the class that is its stage, because readers of JUnit group by class, and carries part, serial number
and slot; the suite carries the disposition, which no single case knows.
"""

from __future__ import annotations

from collections.abc import Generator

import pytest
from _pytest.junitxml import xml_key

from hilseq.plugin.planned import CHECK
from hilseq.plugin.visit_run import VisitRun
from hilseq.reports.sanitize import sanitize


class JunitResults:
    """Registered with pytest only when a stand is given and JUnit XML is written."""

    def __init__(self, run: VisitRun) -> None:
        self._run = run

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Generator[None, object, object]:
        """Put the check into its stage, and name the unit, whether or not a gate then closes it off."""
        check = item.stash[CHECK]
        item.config.stash[xml_key].node_reporter(item.nodeid).add_attribute(
            "classname", sanitize(check.stage)
        )
        item.user_properties += [
            (name, sanitize(value))
            for name, value in (
                ("part", self._run.visit.profiles[check.slot].part),
                ("serial", self._run.options.serials[check.slot]),
                ("slot", check.slot),
            )
        ]
        return (yield)

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Say of the suite which units it was about, and what has become of them."""
        state, xml = self._run.state, session.config.stash.get(xml_key, None)
        if state is None or xml is None:
            return
        xml.add_global_property("run", sanitize(state.header.run))
        xml.add_global_property("stand", sanitize(state.header.stand))
        for unit in state.units:
            xml.add_global_property(f"unit in slot {unit.slot}", sanitize(f"{unit.part} {unit.serial}"))
            prefix = f"{unit.slot}." if len(state.units) > 1 else ""
            for name, value in (
                ("part", unit.part),
                ("serial", unit.serial),
                ("slot", unit.slot),
                ("disposition", unit.disposition),
            ):
                xml.add_global_property(f"{prefix}{name}", sanitize(value))
