"""A soak that is killed continues from its files; whoever watches it sees it and changes nothing."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hilseq.cli.soak_lines import ModeBar
from hilseq.journal.entries import RunResumed
from hilseq.journal.reader import read_journal
from hilseq.journal.samples import read_samples
from hilseq.journal.soak_entries import SoakEnded, SoakEventLogged, SoakGap
from hilseq.plugin.other_runs import resumed_run
from tests import warm

_PATIENCE = 60.0


def _samples(folder: Path) -> int:
    path = folder / "samples-A.bin"
    return len(read_samples(path).times) if path.exists() and path.stat().st_size > 3000 else 0


def _wait_for_samples(folder: Path, count: int) -> int:
    until = time.monotonic() + _PATIENCE
    while (seen := _samples(folder)) < count:
        assert time.monotonic() < until, seen
        time.sleep(0.05)
    return seen


def test_a_killed_soak_goes_on_and_loses_no_sample(
    begin: Callable[..., Any], resume: Callable[..., Any]
) -> None:
    """SIGKILL in the middle, half a line at the end: resumed, the record is whole and the gap is a gap."""
    process, folder = begin("--soak-duration", "50min", "--defect", "output-stuck-off@q04,after=45min30s")
    seen = _wait_for_samples(folder, 300)
    os.kill(process.pid, signal.SIGKILL)
    process.wait(10)
    held = read_samples(folder / "samples-A.bin")
    assert len(held.times) >= seen
    with (folder / "journal.jsonl").open("ab") as journal:
        journal.write(b'{"n":99,"kind":"soak ev')
    done = resume(folder)
    assert done.code == 1
    assert "output does not follow" in done.verdict[1]
    story = read_journal(folder)
    assert (story.broken, story.torn) == ("", 0)
    (resumed,) = story.of(RunResumed)
    assert (resumed.torn, resumed.why) == (23, "the run was cut off")
    (gap,) = story.of(SoakGap)
    assert gap.what == "interrupted"
    samples = done.samples
    assert np.array_equal(samples.times[: len(held.times)], held.times)
    ended = story.of(SoakEnded)[-1]
    # The gap is made up for at the end, to the whole period above.
    assert ended.samples == len(samples.times)
    assert 3000 <= len(samples.times) <= 3001
    assert ended.since == gap.until == 3000.0 + gap.end - gap.start
    (event,) = story.of(SoakEventLogged)
    assert 0 <= event.t - 2730.0 <= 1.0
    assert "23 bytes of an unfinished line were removed" in done.page
    assert "In 1 gap" in done.page


@pytest.fixture
def running(begin: Callable[..., Any]) -> tuple[Any, Path]:
    """A soak of three days that runs while it is looked at."""
    process, folder = begin("--soak-duration", "72h")
    _wait_for_samples(folder, 20)
    return process, folder


def test_a_killed_run_of_this_computer_is_known_to_be_dead(running: tuple[Any, Path]) -> None:
    """SIGKILL a moment ago: the lock that nobody holds any more says so, and `hilseq watch` ends."""
    process, folder = running
    seen = warm.hilseq("watch", "--once", str(folder), cwd=folder.parent)
    assert ": running" in seen.stdout
    os.kill(process.pid, signal.SIGKILL)
    process.wait(10)
    seen = warm.hilseq("watch", str(folder), cwd=folder.parent)
    assert seen.returncode == 0
    assert "broke off: its process has ended without a message" in seen.stdout


def test_what_has_ended_is_not_continued(
    soaked: Callable[..., Any], resume: Callable[..., Any], tmp_path: Path
) -> None:
    """A finished run and none at all are refused in one line."""
    ended = resume(soaked("20min").folder)
    assert ended.code == 2
    assert "no soak of this run was interrupted" in ended.out + ended.err
    nothing = resume(tmp_path / "nowhere")
    assert nothing.code == 2
    assert "Traceback" not in ended.err + nothing.err


def test_what_goes_on_is_not_continued(resume: Callable[..., Any], running: tuple[Any, Path]) -> None:
    """A running soak is refused in one line, with the way out."""
    going = resume(running[1])
    assert going.code == 2
    assert "is still being written" in going.out + going.err
    assert "hilseq watch" in going.out + going.err
    assert "Traceback" not in going.err


def test_watching_shows_a_running_soak(running: tuple[Any, Path]) -> None:
    """`hilseq watch --once` beside a running soak: time left, mode strip, values, events; it continues."""
    process, folder = running
    seen = _watch(folder)
    assert ": running" in seen
    assert re.search(r"of 3 d, \d.* left \[=", seen)
    assert re.search(r"0\.1\d+ A, \d\d(\.\d)? °C, no event", seen)
    assert process.poll() is None


def test_what_is_no_run_cannot_be_watched(tmp_path: Path) -> None:
    """A journal of nonsense: one line that says so, and the exit code of bad input."""
    (tmp_path / "journal.jsonl").write_text("nonsense\n" * 3, encoding="utf-8")
    done = warm.hilseq("watch", str(tmp_path), "--once", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, ""), done.stderr
    assert done.stderr.startswith("hilseq: ")
    assert "journal.jsonl" in done.stderr


def test_watching_changes_nothing(soaked: Callable[..., Any]) -> None:
    """After the run the same command tells how it ended, and every file is what it was."""
    soak = soaked("20min", "--defect", "output-grounded@q05,after=10min")
    before = {path: path.read_bytes() for path in soak.folder.iterdir() if path.is_file()}
    seen = _watch(soak.folder)
    assert "the run came to its end" in seen
    assert "fault 0x21 (q05)" in seen
    assert "ended: the plan stops after 3 events" in seen
    assert before == {path: path.read_bytes() for path in soak.folder.iterdir() if path.is_file()}


def _watch(folder: Path) -> str:
    line = [sys.executable, "-m", "hilseq", "watch", str(folder), "--once"]
    return subprocess.run(line, capture_output=True, text=True, check=True, timeout=200).stdout


def test_the_strip_keeps_the_worst_of_each_part() -> None:
    strip = ModeBar(10)
    strip.mark(0.0, 50.0, "=")
    strip.mark(50.0, 52.0, "_")
    strip.mark(60.0, 60.0, "!")
    strip.mark(52.0, 70.0, "=")
    assert strip.show(100.0) == "=====_!=.."


def test_a_soak_that_was_to_stop_stops_when_it_is_resumed(
    soaked: Callable[..., Any], resume: Callable[..., Any], tmp_path: Path
) -> None:
    """Killed between its event and its end: the plan said to stop there, and the highest case is not forgotten."""
    soak = soaked(
        "20min",
        "--defect",
        "output-stuck-off@q04,after=10min",
        profile=(("on-event: restart", "on-event: stop"),),
    )
    folder = tmp_path / "run"
    shutil.copytree(soak.folder, folder)
    lines = (soak.folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    end = next(number for number, line in enumerate(lines) if b'"kind":"soak ended"' in line)
    (folder / "journal.jsonl").write_bytes(b"".join(lines[:end]))
    (folder / "signatures.jsonl").unlink()  # those of the whole journal, which a killed run has not
    hottest = float(np.nanmax(soak.samples.column("case")))
    assert resumed_run(folder).soaks["A"].ends["case"][1] == hottest
    done = resume(folder)
    assert done.of_kind("soak ended")[-1]["why"] == "the plan stops at the first event"
    assert len(done.samples.times) == len(soak.samples.times)
    (highest,) = [e for e in done.of_kind("reading") if e["name"] == "highest case temperature"]
    assert (highest["value"], highest["uncertainty"] > 0.0) == (pytest.approx(hottest), True)


def test_a_soak_is_not_continued_on_damaged_samples(
    soaked: Callable[..., Any], resume: Callable[..., Any], tmp_path: Path
) -> None:
    """Continued, the file would be cut before the damage and sealed anew: refused, and nothing is cut."""
    soak = soaked("20min", "--defect", "output-stuck-off@q04,after=10min")
    folder = tmp_path / "run"
    shutil.copytree(soak.folder, folder)
    lines = (folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    end = next(number for number, line in enumerate(lines) if b'"kind":"soak ended"' in line)
    (folder / "journal.jsonl").write_bytes(b"".join(lines[:end]))
    (folder / "signatures.jsonl").unlink()
    file = folder / "samples-A.bin"
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    done = resume(folder)
    assert done.code == 2
    assert "samples-A.bin is damaged: only " in done.out + done.err
    assert "A soak is not continued on other samples than it took" in done.out + done.err
    assert file.read_bytes() == content
    assert read_journal(folder).of(RunResumed) == []
