"""Whether a run is active, where its lock can be asked and where it cannot."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal import writer
from hilseq.journal.entries import RunEnded, RunResumed
from hilseq.journal.reader import JournalTail
from hilseq.journal.run_state import RunStatus, fold
from hilseq.journal.writer import boot_id
from hilseq.live import follower
from hilseq.live.follower import liveness_of

pytestmark = pytest.mark.skipif(
    # Asked of the kernel and not of the code under test, which might then take all tests with it.
    not Path("/proc/sys/kernel/random/boot_id").is_file(),
    reason="locks and boot id of Linux",
)


def _status(folder: Path, *, left_out: int = 0) -> RunStatus:
    """Return how a run stands to somebody who has not read its last lines yet."""
    tail = JournalTail(folder / "journal.jsonl")
    tail.look()
    tail.links = tail.links[: len(tail.links) - left_out]
    return liveness_of(tail, fold(tail.entries[: len(tail.links)])).status


def test_a_free_lock_ends_a_run_of_this_start_of_this_computer(begin: Callable[..., Any]) -> None:
    story = begin(boot=boot_id())
    assert _status(story.folder) is RunStatus.RUNNING
    story.kill()
    assert _status(story.folder) is RunStatus.UNFINISHED


@pytest.mark.parametrize("header", [{}, {"boot": ""}, {"boot": "of-another-computer"}])
def test_a_free_lock_says_nothing_of_another_computer(
    begin: Callable[..., Any], header: dict[str, str]
) -> None:
    """A run seen over a network share, or kept by an older hilseq: what was just written counts as life."""
    assert _status(begin(**header).kill()) is RunStatus.RUNNING


def test_an_end_that_was_not_read_yet_is_no_break(begin: Callable[..., Any]) -> None:
    """The run writes its end and lets go of the lock between the two looks: nothing broke off."""
    folder = begin(boot=boot_id()).end()
    assert _status(folder, left_out=1) is RunStatus.RUNNING
    assert _status(folder) is RunStatus.COMPLETED


def test_the_start_counts_in_which_the_run_was_taken_up_last(begin: Callable[..., Any]) -> None:
    """Begun before this computer was started anew, or on another one, and continued here; or the other way round."""
    here, there = boot_id(), "of-another-computer"
    for begun, resumed, state in ((there, here, RunStatus.UNFINISHED), (here, there, RunStatus.RUNNING)):
        story = begin(f"run-{begun[:4]}", boot=begun)
        story.note(RunResumed(torn=0, why="cut off", hilseq="0", boot=resumed))
        assert _status(story.kill()) is state


def test_a_run_that_was_taken_up_after_its_end_goes_on(begin: Callable[..., Any]) -> None:
    """Interrupted, which is an end, and resumed: what it had ended with says nothing any more."""
    story = begin(boot=boot_id())
    story.note(RunEnded(exit_code=3, interrupted=True))
    story.note(RunResumed(torn=0, why="it was interrupted", hilseq="0", boot=boot_id()))
    assert _status(story.folder) is RunStatus.RUNNING


def test_a_kernel_without_a_name_says_nothing_of_a_run_without_one(
    begin: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two that have none are not the same one."""
    monkeypatch.setattr(follower, "boot_id", lambda: "")
    assert _status(begin(boot="").kill()) is RunStatus.RUNNING


def test_the_name_of_this_start_is_the_kernels(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One word, the same whenever it is asked for; empty where there is none, or none that can be one."""
    assert boot_id() == boot_id() == Path("/proc/sys/kernel/random/boot_id").read_text("ascii").split()[0]
    for content in (None, b"\xff\xfe\n"):
        monkeypatch.setattr(writer, "_BOOT", tmp_path / "boot_id")
        if content is not None:
            (tmp_path / "boot_id").write_bytes(content)
        assert boot_id() == ""
