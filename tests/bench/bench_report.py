"""How long the page of a three-day soak takes, against merely reading its samples: run as a program.

python tests/bench/bench_report.py
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from hilseq.analysis.limits import ReadingVerdict
from hilseq.journal.entries import CheckEnded, CheckStarted, Reading, RunEnded
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import RunState
from hilseq.journal.writer import JournalWriter
from hilseq.reports.page import render
from hilseq.reports.soak import Curve, Series, SoakEvent, SoakView, TimeSpan
from hilseq.verdicts import CheckVerdict
from tests.journals import check_planned, run_started

SAMPLES, COLUMNS = 259_200, 20
#: The promise of the report.
MOST_SECONDS = 3.0


def journal(folder: Path, checks: int) -> RunState:
    """Write a journal of many checks and return its record."""
    writer = JournalWriter(folder)
    writer.write(run_started(run="bench", simulated=True, seed=1))
    for number in range(checks):
        name, place = f"check {number}", f"q{number % 64:02d}"
        title = f"Title {number // 64}"
        writer.write(check_planned(name, sequence="outputs", stage="outputs", title=title, place=place))
        writer.write(CheckStarted(check=name))
        reading = Reading(
            check=name, slot="A", name="drop", value=0.4, unit="V", uncertainty=0.01, high=0.8,
            verdict=ReadingVerdict.CONFORMS, probability=1.0,
        )  # fmt: skip
        writer.write(reading)
        writer.write(CheckEnded(check=name, verdict=CheckVerdict.PASSED, seconds=0.1))
    writer.write(RunEnded(exit_code=0, interrupted=False))
    writer.close()
    return run_state(read_journal(folder))


def soak(samples: np.ndarray) -> SoakView:
    """Return the view of a soak whose columns are time, current, voltage, temperature and others."""
    times = samples[:, 0]
    fit = Curve(times[::900], samples[::900, 3], "fitted")
    return SoakView(
        planned=float(SAMPLES),
        lasted=float(SAMPLES),
        samples=SAMPLES,
        series=[
            Series("supply current", "A", times, samples[:, 1], low=0.1, high=0.15),
            Series("supply voltage", "V", times, samples[:, 2]),
            Series("case temperature", "degC", times, samples[:, 3], fit=fit),
        ],
        modes=[TimeSpan(0, SAMPLES, "live")],
        events=[SoakEvent(3600.0 * number, "power cycle", "off for 10 s") for number in range(72)],
    )


def timed(work: Callable[[], object], repeats: int = 3) -> float:
    """Return the shortest of a few times, s."""
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return min(times)


def main() -> None:
    """Measure and print, beside what the design allows."""
    rng = np.random.default_rng(1)
    samples = rng.normal(1.0, 0.01, (SAMPLES, COLUMNS))
    samples[:, 0] = np.arange(SAMPLES)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        samples.astype("<f8").tofile(folder / "samples.bin")
        np.savetxt(folder / "samples.csv", samples[: SAMPLES // 10], fmt="%.6g", delimiter=",")
        run = journal(folder / "run", 200)
        unit = run.units[0]
        binary = timed(lambda: np.fromfile(folder / "samples.bin").sum())
        text = 10 * timed(lambda: [line.split(b",") for line in (folder / "samples.csv").open("rb")], 1)
        first = timed(lambda: render(run, unit, soak=soak(samples)), 1)
        page = timed(lambda: render(run, unit, soak=soak(samples)))
        reported = timed(lambda: run_state(read_journal(folder / "run")))
        size = len(render(run, unit, soak=soak(samples)).encode())
    print(f"samples: {SAMPLES} x {COLUMNS}; checks: {len(unit.checks)}; page: {size / 1e3:.0f} kB")
    print(f"read samples, binary  {binary * 1e3:8.1f} ms  (baseline)")
    print(f"read samples, text    {text * 1e3:8.1f} ms  ({text / binary:.1f} x; from a tenth)")
    print(f"read and tell journal {reported * 1e3:8.1f} ms  ({reported / binary:.1f} x)")
    print(f"page, first           {first * 1e3:8.1f} ms  ({first / binary:.1f} x)")
    print(f"page, again           {page * 1e3:8.1f} ms  ({page / binary:.1f} x)")
    print(f"page, first, allowed  {MOST_SECONDS * 1e3:8.1f} ms  (on a quiet machine)")


if __name__ == "__main__":
    main()
