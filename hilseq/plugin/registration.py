"""The entry point: options and markers always, everything else only when a stand is given.

This module is imported by every pytest run of the environment, so it imports nothing heavy.
"""

from __future__ import annotations

import os
from collections.abc import Generator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hilseq.plugin.markers import MARKERS
from hilseq.plugin.options import VisitOptions, add_options, read_options, serial_number

if TYPE_CHECKING:
    from hilseq.description.stand import Stand
    from hilseq.plugin.intake import Person
    from hilseq.plugin.visit_run import VisitRun

#: Input and output of the terminal, as they were before pytest captured them.
STREAMS = pytest.StashKey[tuple[int, int]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Register the options of a visit."""
    add_options(parser)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_load_initial_conftests(early_config: pytest.Config) -> Generator[None, None, None]:
    """Keep the terminal aside for the operator, before pytest captures input and output."""
    if getattr(early_config.known_args_namespace, "attended", False):
        early_config.stash[STREAMS] = (os.dup(0), os.dup(2))
    return (yield)


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Register the markers; with a stand, describe the visit and register its hooks and fixtures."""
    for marker in MARKERS:
        config.addinivalue_line("markers", marker)
    if not config.getoption("--stand"):
        return

    from hilseq.errors import HilseqError, StandFault, StandInUse
    from hilseq.plugin.options import refuse
    from hilseq.verdicts import ExitCode

    try:
        _register(config)
    except HilseqError as error:
        # Here, before any other plugin has made a file or a folder.
        stands_for = {StandInUse: ExitCode.IN_USE, StandFault: ExitCode.STAND_FAULT}
        code = next((code for kind, code in stands_for.items() if isinstance(error, kind)), ExitCode.USAGE)
        refuse(error, code)


def _register(config: pytest.Config) -> None:
    from hilseq.description.loading import load_stand
    from hilseq.description.visit import describe_visit
    from hilseq.errors import UsageError
    from hilseq.plugin import fixtures, soaking
    from hilseq.plugin.hooks import VisitHooks
    from hilseq.plugin.judging import Judging
    from hilseq.plugin.visit_run import RUN, VisitRun

    if getattr(config.option, "numprocesses", None) or getattr(config.option, "tx", None):
        raise UsageError(
            "-n: several processes cannot share one stand; test several units in its slots: --serial A=SN1,B=SN2"
        )
    stand = load_stand(Path(config.getoption("--stand")))
    options = read_options(config, list(stand.slots), stand.intake)
    visit = describe_visit(options.stand, options.units)
    for slot, said in options.intakes.items():
        part = visit.profiles[slot].part
        if said.get("part", part).casefold() != part.casefold():
            raise UsageError(
                f"slot {slot}: the intake says part {said['part']}, the profile is that of {part}"
            )
    person = None
    if options.attended and options.resume is None and not getattr(config.option, "collectonly", False):
        options, person = _attended(config, options, stand)
    run = VisitRun(options, visit)
    if not getattr(config.option, "collectonly", False):
        run.start()
        run.make_folder()
    if person is not None:
        person.attach(run.clock, run.event)
    _default_outputs(config, run.folder)
    config.stash[RUN] = run
    config.pluginmanager.register(VisitHooks(run), "hilseq-visit")
    config.pluginmanager.register(Judging(), "hilseq-judging")
    _report_to_others(config, run)
    config.pluginmanager.register(fixtures, "hilseq-fixtures")
    config.pluginmanager.register(soaking, "hilseq-soaking")


def _attended(config: pytest.Config, options: VisitOptions, stand: Stand) -> tuple[VisitOptions, Person]:
    """Have the operator complete the intake. Raises UsageError when nobody answers."""
    from hilseq.plugin.intake import Person, ask_for_the_rest

    source, target = config.stash[STREAMS]
    person = Person(source, target, options.stand.parent)
    known = {
        slot: {
            **options.intakes[slot],
            **({"serial": options.serials[slot]} if slot in options.serials else {}),
        }
        for slot in options.units
    }
    if config.getoption("--intake-complete") and len(options.serials) == len(options.units):
        person.name = next((said["operator"] for said in known.values() if "operator" in said), person.name)
        return replace(options, operator=person), person
    intakes = ask_for_the_rest(known, person, stand.operator.timeout, stand.intake)
    serials = {slot: serial_number(slot, said["serial"]) for slot, said in intakes.items()}
    return replace(options, intakes=intakes, serials=serials, operator=person), person


def _report_to_others(config: pytest.Config, run: VisitRun) -> None:
    """Name the unit in JUnit XML and Allure results, where they are written."""
    if getattr(config.option, "allure_report_dir", None):
        from hilseq.plugin.allure_results import AllureResults

        results = AllureResults(run, Path(config.option.allure_report_dir))
        config.pluginmanager.register(results, "hilseq-allure")
    if getattr(config.option, "xmlpath", None) and not getattr(config.option, "collectonly", False):
        from hilseq.plugin.hooks import JunitResults

        config.pluginmanager.register(JunitResults(run), "hilseq-junit")


def _default_outputs(config: pytest.Config, folder: Path) -> None:
    """Have pytest write JUnit XML and Allure results beside the journal, unless stated otherwise."""
    if getattr(config.option, "collectonly", False):
        return
    if hasattr(config.option, "xmlpath") and not config.option.xmlpath:
        resumed = bool(config.getoption("--resume"))
        config.option.xmlpath = str(folder / ("junit-resumed.xml" if resumed else "junit.xml"))
    if hasattr(config.option, "allure_report_dir") and not config.option.allure_report_dir:
        config.option.allure_report_dir = str(folder / "allure-results")
