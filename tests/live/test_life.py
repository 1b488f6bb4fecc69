"""Whether a run goes on, where its lock can be asked and where it cannot."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.boot import boot_id
from hilseq.journal.reader import read_journal
from hilseq.live.life import State, life_of

pytestmark = pytest.mark.skipif(sys.platform == "win32" or not boot_id(), reason="locks and boot id of Linux")


def _state(folder: Path, *, left_out: int = 0) -> State:
    journal = read_journal(folder)
    entries = list(journal.entries)
    return life_of(folder, journal.path, entries[: len(entries) - left_out], journal.broken).state


def test_a_free_lock_ends_a_run_of_this_start_of_this_computer(begin: Callable[..., Any]) -> None:
    story = begin(boot=boot_id())
    assert _state(story.folder) is State.RUNNING
    story.kill()
    assert _state(story.folder) is State.UNFINISHED


@pytest.mark.parametrize("header", [{}, {"boot": ""}, {"boot": "of-another-computer"}])
def test_a_free_lock_says_nothing_of_another_computer(
    begin: Callable[..., Any], header: dict[str, str]
) -> None:
    """A run seen over a network share, or kept by an older hilseq: what was just written counts as life."""
    assert _state(begin(**header).kill()) is State.RUNNING


def test_an_end_that_was_not_read_yet_is_no_break(begin: Callable[..., Any]) -> None:
    """The run writes its end and lets go of the lock between the two looks: nothing broke off."""
    folder = begin(boot=boot_id()).end()
    assert _state(folder, left_out=1) is State.RUNNING
    assert _state(folder) is State.ENDED
