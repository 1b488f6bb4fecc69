"""What every test gets: a time limit, warnings as errors, and word of what it needs beyond Python.

These stand here and not in pyproject.toml, because sequences are run by the same pytest from the same folder,
and a soak may not be ended by the time limit of a unit test.
"""

from __future__ import annotations

import gc
import importlib.util
import os
import runpy
import shutil
import signal
import subprocess
import tempfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

SECONDS = 300
#: Folders whose tests make whole runs, with real processes and real time: three quarters of the time of all tests.
WHOLE_RUNS = frozenset({"coverage", "distribution", "end_to_end", "foreign", "guard", "plugin", "soak"})
#: Of these, and of tests marked `whole_run`, a run of all tests makes one part, by its commit; HILSEQ_ALL_TESTS=1 makes
#: all. Whatever is named on the command line runs.
PARTS = 16
PART, EVERYTHING = "HILSEQ_TESTS_PART", "HILSEQ_ALL_TESTS"
# How long an example takes is no property of the code: a busy machine fails no test. Every run draws other examples:
# half of the usual number find in two runs what all of them find in one.
settings.register_profile("hilseq", deadline=None, max_examples=50)
settings.load_profile("hilseq")


@dataclass(frozen=True, slots=True)
class Tool:
    """Something a test needs that no Python package brings."""

    what: str
    install: str
    is_here: Callable[[], bool]


#: Marker -> the tool its tests need.
TOOLS = {
    "browser": Tool("Chromium", "apt-get install chromium", lambda: shutil.which("chromium") is not None),
    "postgres": Tool(
        "a PostgreSQL server",
        "apt-get install postgresql",
        lambda: any(Path("/usr/lib/postgresql").glob("*/bin/initdb")) or shutil.which("initdb") is not None,
    ),
    "foreign": Tool(
        "gcc, make, libmodbus and pyModbusTCP",
        "apt-get install gcc make pkg-config libmodbus-dev; pip install 'hilseq[dev]'",
        lambda: (
            all(shutil.which(program) for program in ("gcc", "make", "pkg-config"))
            and subprocess.run(["pkg-config", "--exists", "libmodbus"], check=False).returncode == 0
            and importlib.util.find_spec("pyModbusTCP") is not None
        ),
    ),
    "allure": Tool(
        "the Allure generator", "npm install -g allure", lambda: shutil.which("allure") is not None
    ),
}


def _missing() -> dict[str, Tool]:
    """Return the tools that are not here; CI asks for all of them and gets failures instead."""
    if os.environ.get("HILSEQ_REQUIRE_ALL") == "1":
        return {}
    return {marker: tool for marker, tool in TOOLS.items() if not tool.is_here()}


def pytest_configure(config: pytest.Config) -> None:
    """Say what the markers mean; sign with keys of the tests, not with those of whoever runs them."""
    if not config.getoption(
        "--stand", default=None
    ):  # not a visit that a test makes with a sequence of its own
        # Tests of signals begin as in a terminal, whatever started these in the background.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
        gc.disable()  # until everything is collected: all that stays
    if not hasattr(config, "workerinput"):
        os.environ.pop(PART, None)
        if config.args_source is pytest.Config.ArgsSource.TESTPATHS and os.environ.get(EVERYTHING) != "1":
            os.environ[PART] = str(_part_of_commit(config.rootpath))
    os.environ["HILSEQ_KEYS"] = str(Path(tempfile.gettempdir()) / f"hilseq-test-keys-{os.getuid()}")
    config.addinivalue_line(
        "markers", "whole_run: makes a whole run, or several; see PARTS in tests/conftest.py"
    )
    for marker, tool in TOOLS.items():
        config.addinivalue_line("markers", f"{marker}: needs {tool.what} on this machine")


def _part_of_commit(root: Path) -> int:
    """Return which part of the whole runs is made of this commit; of a folder without one, the first."""
    line = ["git", "-C", str(root), "rev-parse", "HEAD"]
    done = subprocess.run(line, capture_output=True, text=True, check=False)
    return int(done.stdout.strip() or "0", 16) % PARTS


def pytest_report_header() -> str | None:
    """Say which part of the whole runs is made."""
    part = os.environ.get(PART)
    return part and f"whole runs: part {int(part) + 1} of {PARTS}, by the commit; {EVERYTHING}=1 makes all"


def _is_of_another_part(item: pytest.Item) -> bool:
    part = os.environ.get(PART)
    is_whole_run = item.nodeid.split("/")[1] in WHOLE_RUNS or item.get_closest_marker("whole_run")
    if part is None or not is_whole_run:
        return False
    return zlib.crc32(item.nodeid.encode()) % PARTS != int(part)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Give every test its time limit; leave out what cannot be had here."""
    missing = _missing()
    left_out = {
        item: None
        for item in items
        if any(item.get_closest_marker(marker) for marker in missing) or _is_of_another_part(item)
    }
    if left_out:
        items[:] = [item for item in items if item not in left_out]
        config.hook.pytest_deselected(items=list(left_out))
    for item in items:
        if item.get_closest_marker("timeout") is None:
            item.add_marker(pytest.mark.timeout(SECONDS))
        item.add_marker(pytest.mark.filterwarnings("error"), append=False)


def pytest_collection_finish() -> None:
    """Look through what comes from now on: imports and tests collected are not looked through again and again."""
    gc.freeze()
    gc.enable()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what was left out, and how to have it."""
    for marker, tool in _missing().items():
        line = f"tests marked {marker} were left out: they need {tool.what} ({tool.install})"
        terminalreporter.write_line(line)


@pytest.fixture(scope="session", autouse=True)
def lock_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The locks and latches of these tests, apart from those of the stands of this computer."""
    folder = tmp_path_factory.mktemp("locks")
    before = os.environ.get("HILSEQ_LOCKS")
    os.environ["HILSEQ_LOCKS"] = str(folder)
    yield folder
    if before is None:
        del os.environ["HILSEQ_LOCKS"]
    else:
        os.environ["HILSEQ_LOCKS"] = before


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Any]:
    """A Chromium with one empty page (`chromium.py`)."""
    chromium = runpy.run_path(str(Path(__file__).with_name("chromium.py")))["Browser"]
    with chromium(tmp_path / "chromium") as one:
        yield one
