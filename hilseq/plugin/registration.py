"""The entry point: options and markers always, everything else only when a stand is given.

This module is imported by every pytest run of the environment, so it imports nothing heavy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.plugin.markers import MARKERS
from hilseq.plugin.options import add_options, read_options


def pytest_addoption(parser: pytest.Parser) -> None:
    """Register the options of a visit."""
    add_options(parser)


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Register the markers; with a stand, describe the visit and register its hooks and fixtures."""
    for marker in MARKERS:
        config.addinivalue_line("markers", marker)
    if not config.getoption("--stand"):
        return

    from hilseq.errors import HilseqError, StandFault
    from hilseq.verdicts import ExitCode

    try:
        _register(config)
    except HilseqError as error:
        # Here, before any other plugin has made a file or a folder.
        code = ExitCode.STAND_FAULT if isinstance(error, StandFault) else ExitCode.USAGE
        pytest.exit(f"nothing was powered:\n{error}", returncode=int(code))


def _register(config: pytest.Config) -> None:
    from hilseq.description.loading import load_stand
    from hilseq.description.visit import describe_visit
    from hilseq.plugin import fixtures, soaking
    from hilseq.plugin.hooks import VisitHooks
    from hilseq.plugin.visit_run import VisitRun

    stand_path = Path(config.getoption("--stand"))
    options = read_options(config, list(load_stand(stand_path).slots))
    run = VisitRun(options, describe_visit(options.stand, options.units))
    if not getattr(config.option, "collectonly", False):
        run.start()
    _default_outputs(config, run.folder)
    config.pluginmanager.register(VisitHooks(run), "hilseq-visit")
    if getattr(config.option, "allure_report_dir", None):
        from hilseq.plugin.allure_results import AllureResults

        results = AllureResults(run, Path(config.option.allure_report_dir))
        config.pluginmanager.register(results, "hilseq-allure")
    config.pluginmanager.register(fixtures, "hilseq-fixtures")
    config.pluginmanager.register(soaking, "hilseq-soaking")


def _default_outputs(config: pytest.Config, folder: Path) -> None:
    """Have pytest write JUnit XML and Allure results beside the journal, unless told otherwise."""
    if getattr(config.option, "collectonly", False):
        return
    if hasattr(config.option, "xmlpath") and not config.option.xmlpath:
        config.option.xmlpath = str(folder / "junit.xml")
    if hasattr(config.option, "allure_report_dir") and not config.option.allure_report_dir:
        config.option.allure_report_dir = str(folder / "allure-results")
