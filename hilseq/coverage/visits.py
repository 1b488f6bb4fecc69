"""Making visits on a worker: a process that has imported everything, and forks one for each visit.

The worker itself has threads and connections of its own, and forks nothing. Its process of visits ends with it.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Protocol

from hilseq.coverage.parcel import Parcel
from hilseq.errors import HilseqError, StandFault
from hilseq.twin import prepared

#: Makes one visit with these sequences and options (of `hilseq run`) on a stand, and returns its exit code.
RunVisit = Callable[[list[str], list[str], Path], int]

#: Files in memory, on most systems; and the room that visits side by side need there, bytes.
_MEMORY, _ENOUGH = "/dev/shm", 2e9  # noqa: S108 - a folder with a name of its own is made there
#: Soak of a visit whose defect is seen on a warm unit only: some time constants of a case.
_WARM = "6h"


class Visited(Protocol):
    """One visit of a campaign: what the twin is given, and the row that a finished run makes."""

    @property
    def number(self) -> int:
        """Its number in the campaign."""
        ...

    @property
    def seed(self) -> int:
        """The seed of its unit, its stand and its noise."""
        ...

    @property
    def specs(self) -> Sequence[str]:
        """Its defects, as `hilseq run --defect` takes them."""
        ...

    @property
    def warm(self) -> bool:
        """Whether it needs a unit that has warmed up."""
        ...

    def row(self, run: Path) -> dict[str, Any]:
        """Return the row of a run in this folder."""
        ...


@dataclass(frozen=True, slots=True)
class CampaignSetup:
    """What all visits of a campaign have in common. Files are named as they lie in the `parcel`.

    `soaks` tells whether the profile plans a soak, `real_timing` whether the instruments take their time, drawn from
    the seed of each visit; `defect_files` have kinds of defect that are not in the catalogue.
    """

    parcel: Parcel
    stand: str
    unit: str
    slot: str
    sequences: tuple[str, ...]
    run_visit: RunVisit
    soaks: bool = False
    real_timing: bool = True
    defect_files: tuple[str, ...] = ()
    name: str = field(default_factory=lambda: uuid.uuid4().hex)

    def visit(self, case: Visited, processor: int | None) -> dict[str, Any]:
        """Make one visit on a worker, on this processor alone if one is named; return its row.

        Raises StandFault when it does not come to its end.
        """
        process: _VisitProcess | None = getattr(_of_this_thread, "process", None)
        if process is None or process.ended:
            process = _of_this_thread.process = _VisitProcess(processor)
        return process.visit(self, case)


def words_for(case: Visited) -> str:
    """Return a case in words: its defects and its seed."""
    return f"the visit with {', '.join(case.specs) or 'a good unit'}, seed {case.seed},"


def visit_options(setup: CampaignSetup, case: Visited) -> list[str]:
    """Return the options of `hilseq run` that make a case, but for the folder."""
    options = ["--stand", setup.stand, f"--unit={setup.slot}={setup.unit}"]
    options += [f"--serial={setup.slot}=CV-{case.number:06d}"]
    options += ["--simulate", "--seed", str(case.seed)]
    options += ["--real-timing"] * setup.real_timing
    options += [f"--defects={file}" for file in setup.defect_files]
    if case.warm and setup.soaks:
        options += ["--soak", f"--soak-duration={_WARM}"]
    return [*options, *(f"--defect={spec}" for spec in case.specs)]


# -- on the worker -----------------------------------------------------------------------------------

_of_this_thread = threading.local()


class _VisitProcess:
    """The process of visits, seen from its worker. It ends when this side of its pipes is closed."""

    def __init__(self, processor: int | None) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", "from hilseq.coverage.visits import serve; serve()", str(processor)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )
        self._campaign = ""

    @property
    def ended(self) -> bool:
        """Whether it has gone: it was ended from outside."""
        return self._process.poll() is not None

    def visit(self, setup: CampaignSetup, case: Visited) -> dict[str, Any]:
        """Have a visit made; return its row. Raises StandFault."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        known = setup.name == self._campaign
        self._campaign = setup.name
        try:
            pickle.dump((None if known else setup, case), self._process.stdin)
            self._process.stdin.flush()
            answer = pickle.load(self._process.stdout)  # noqa: S301 - from a process of ours
        except (EOFError, OSError, pickle.UnpicklingError):
            self._process.kill()
            self._process.wait()
            raise StandFault(
                f"{words_for(case)} was ended from outside, perhaps because memory ran out"
            ) from None
        if isinstance(answer, HilseqError):
            raise answer
        row: dict[str, Any] = answer
        return row


# -- in the process of visits ------------------------------------------------------------------------


def serve() -> None:
    """Make the visits that come as pickles at standard input; answer with a row or an error, until it is closed."""
    requests, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    _settle(sys.argv[1])
    _warm_up()
    with tempfile.TemporaryDirectory(prefix="hilseq-coverage-", dir=_scratch()) as folder:
        setup: CampaignSetup | None = None
        while True:
            try:
                new, case = pickle.load(requests)  # noqa: S301 - from the worker
            except EOFError:
                return
            if new is not None:
                setup = new
                os.chdir(tempfile.mkdtemp(dir=folder))
                setup.parcel.unpack(Path())
            assert setup is not None
            answer: dict[str, Any] | HilseqError
            try:
                answer = _visit(setup, case, requests, answers)
            except HilseqError as error:
                answer = error
            pickle.dump(answer, answers)
            answers.flush()


def _settle(processor: str) -> None:
    """Be quiet, leave Ctrl-C to the worker, and keep to one processor where every processor has its visits.

    A run and its twin take turns: on one processor neither is waited for longer, and nobody looks about for an
    answer in time that another visit could use.
    """
    null = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(null, stream)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if processor.isdecimal() and hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {int(processor)})


def _warm_up() -> None:
    """Import once what every visit needs."""
    import allure_pytest.plugin
    import pymodbus.pdu
    import pyvisa_py.tcpip
    import scipy.special

    import hilseq.plugin.fixtures
    import hilseq.reports.write

    del allure_pytest, pymodbus, pyvisa_py, scipy, hilseq


def _scratch() -> str | None:
    """Return a folder in memory for what lives as long as one visit: a disk is waited for at every entry.

    None, which tempfile takes for its own choice, where there is none or little, or somebody has chosen.
    """
    try:
        enough = shutil.disk_usage(_MEMORY).free > _ENOUGH
    except OSError:
        return None
    chosen = "TMPDIR" in os.environ
    return _MEMORY if enough and not chosen and os.access(_MEMORY, os.W_OK) else None


def _visit(setup: CampaignSetup, case: Visited, requests: IO[bytes], answers: IO[bytes]) -> dict[str, Any]:
    """Make one visit in a process of its own and judge it; end it when the worker has gone."""
    run = Path(f"run-{case.number}").absolute()
    try:
        with prepared():
            here, there = os.pipe()  # its other end is closed when the visit is over
            child = os.fork()
            if child == 0:
                code = 70
                with contextlib.suppress(BaseException):
                    signal.signal(signal.SIGINT, signal.default_int_handler)
                    for end in (here, requests.fileno(), answers.fileno()):
                        os.close(end)
                    options = [*visit_options(setup, case), "--out", str(run)]
                    code = setup.run_visit(list(setup.sequences), options, Path(setup.stand))
                os._exit(code)
            os.close(there)
            ready, _, _ = select.select([here, requests.fileno()], [], [])
            os.close(here)
            if requests.fileno() in ready:  # nothing is asked meanwhile: it is closed
                os.kill(child, signal.SIGTERM)
            os.waitpid(child, 0)
        summary = run / "summary.json"
        reported = json.loads(summary.read_text(encoding="utf-8")) if summary.exists() else {}
        if not reported.get("complete"):  # broken off, by Ctrl-C say: it proves nothing, and is made again
            raise StandFault(f"{words_for(case)} did not finish")
        return case.row(run)
    finally:
        shutil.rmtree(run, ignore_errors=True)
