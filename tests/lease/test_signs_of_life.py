"""Whether another process counts as hanging: by its silence, and by what the operating system says of it."""

from __future__ import annotations

import subprocess
import sys
import time

import pytest

from hilseq.lease.signs_of_life import SILENCE, SignsOfLife

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="states of a process are those of proc(5)")


def test_one_that_is_kept_from_running_gets_more_time() -> None:
    """A sleeping process hangs, unless its sleep is one of those that are no fault of its own."""
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as process:
        hangs, starved = SignsOfLife(process.pid), SignsOfLife(process.pid, starved="RS")
        time.sleep(SILENCE + 0.1)
        assert hangs.has_ceased
        assert not starved.has_ceased
        hangs.heard()
        assert not hangs.has_ceased
