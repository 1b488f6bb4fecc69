"""The collector rests while hilseq loads, and works again while a unit is tested: a soak may take weeks."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest

from hilseq import gc_tuning
from tests import warm

ROOT = Path(__file__).resolve().parents[1]
OWN = """
import gc

def test_collector(unit):
    assert gc.isenabled()
    assert gc.get_freeze_count() > 10_000
"""


def test_it_is_taken_up_again_whatever_happens() -> None:
    """Also when loading fails before anything is settled."""
    seen = []

    def load() -> None:
        with gc_tuning.left_while_loading():
            seen.append(gc.isenabled())
            raise ValueError("no stand")

    with pytest.raises(ValueError, match="no stand"):
        load()
    assert [*seen, gc.isenabled()] == [False, True]


def test_during_a_visit_it_works_and_leaves_out_what_was_loaded(tmp_path: Path) -> None:
    """Seen by a check of a real visit."""
    own = tmp_path / "test_own.py"
    own.write_text(OWN, encoding="utf-8")
    line = ["run", str(own), "--stand", str(ROOT / "stands/dx08-bench.yaml"), "--simulate"]
    line += [
        "--unit",
        str(ROOT / "stands/units/dx08.yaml"),
        "--serial",
        "DX-1",
        "--out",
        str(tmp_path / "run"),
    ]
    done = warm.hilseq(*line, "-v", cwd=tmp_path)
    assert "  passed        collector" in done.stdout, done.stdout + done.stderr
