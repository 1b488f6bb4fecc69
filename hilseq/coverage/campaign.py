"""Running a campaign: on all cores, with progress, resumable after any interruption."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from hilseq.coverage.cases import RowFile
from hilseq.errors import StandFault
from hilseq.twin import prepared

#: Runs one visit with these options (of `hilseq run`) and returns its exit code.
RunVisit = Callable[[list[str]], int]

#: Files in memory, on most systems; and the room that visits side by side need there, bytes.
_MEMORY, _ENOUGH = "/dev/shm", 2e9  # noqa: S108 - a folder with a name of its own is made there
#: Soak of a visit whose defect is seen on a warm unit only: some time constants of a case.
_WARM = "6h"


@dataclass(frozen=True, slots=True)
class CampaignSetup:
    """The stand and unit of a campaign, its slot, how a visit is made, and whether the profile plans a soak."""

    stand: Path
    unit: Path
    slot: str
    run_visit: RunVisit
    soaks: bool = False
    #: Whether the instruments take their time, drawn from the seed of each visit.
    real_timing: bool = True
    #: Python files with kinds of defect that are not in the catalogue.
    defect_files: tuple[Path, ...] = ()


class Visited(Protocol):
    """One visit of a campaign: what the twin is told, and the row that a finished run makes."""

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


def run_campaign(
    bench: CampaignSetup, cases: Sequence[Visited], rows: RowFile, *, jobs: int
) -> Iterator[dict[str, Any]]:
    """Make the visits that have no row yet; yield each new row as it comes.

    Raises StandFault when a visit does not come to its end, which no defect may cause: it has no row.
    """
    done = {row["number"] for row in rows.rows}
    open_cases = [case for case in cases if case.number not in done]
    # Forked after everything is imported, and one visit per process: a visit leaves nothing to the next.
    context = multiprocessing.get_context("fork")
    _warm_up()
    started = context.Value("i", 0)
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=_settle, initargs=(jobs, started)) as pool:
        waiting = {pool.submit(_visit, bench, case) for case in open_cases}
        try:
            for future in as_completed(waiting):
                row = future.result()
                rows.add(row)
                yield row
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _warm_up() -> None:
    """Import once what every visit needs."""
    import allure_pytest.plugin
    import pymodbus.pdu
    import pyvisa_py.tcpip
    import scipy.special

    import hilseq.plugin.fixtures
    import hilseq.reports.write

    del allure_pytest, pymodbus, pyvisa_py, scipy, hilseq


def _settle(jobs: int, started: Any) -> None:
    """Be quiet, and keep to one processor where every processor has its visits.

    A run and its twin take turns: on one processor neither is waited for longer, and nobody looks about for an
    answer in time that another visit could use.
    """
    null = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(null, stream)
    if not hasattr(os, "sched_setaffinity"):
        return
    processors = sorted(os.sched_getaffinity(0))
    with started.get_lock():
        number, started.value = started.value, started.value + 1
    if jobs >= len(processors):
        os.sched_setaffinity(0, {processors[number % len(processors)]})


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


def _visit(bench: CampaignSetup, case: Visited) -> dict[str, Any]:
    """Make one visit in a process of its own and judge it."""
    folder = Path(tempfile.mkdtemp(prefix="hilseq-coverage-", dir=_scratch()))
    try:
        run = folder / "run"
        with prepared():
            child = os.fork()
            if child == 0:
                code = 70
                with contextlib.suppress(BaseException):
                    code = bench.run_visit([*visit_options(bench, case), "--out", str(run)])
                os._exit(code)
            os.waitpid(child, 0)
        summary = run / "summary.json"
        told = json.loads(summary.read_text(encoding="utf-8")) if summary.exists() else {}
        if not told.get("complete"):  # broken off, by Ctrl-C say: it proves nothing, and is made again
            what = ", ".join(case.specs) or "a good unit"
            raise StandFault(f"the visit with {what}, seed {case.seed}, did not come to its end")
        return case.row(run)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def visit_options(bench: CampaignSetup, case: Visited) -> list[str]:
    """Return the options of `hilseq run` that make a case, but for the folder."""
    options = ["--stand", str(bench.stand), f"--unit={bench.slot}={bench.unit}"]
    options += [f"--serial={bench.slot}=CV-{case.number:06d}"]
    options += ["--simulate", "--seed", str(case.seed)]
    options += ["--real-timing"] * bench.real_timing
    options += [f"--defects={file}" for file in bench.defect_files]
    if case.warm and bench.soaks:
        options += ["--soak", f"--soak-duration={_WARM}"]
    return [*options, *(f"--defect={spec}" for spec in case.specs)]


def good_rows(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of good units."""
    return [row for row in rows if row.get("good")]


def defect_rows(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of defects, in the order of their cases."""
    return sorted((row for row in rows if not row.get("good")), key=lambda row: int(row["number"]))
