"""The reference of sequences: current, and every example in it run on the demo's stand."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.end_to_end.conftest import MakeVisit
from tests.sequence_reference import EXAMPLES, REFERENCE, as_markdown, examples, fixture_functions


def test_the_reference_is_up_to_date() -> None:
    """sequences/REFERENCE.md is what `python -m tests.sequence_reference` prints."""
    made = as_markdown()
    remedy = "run: python -m tests.sequence_reference > sequences/REFERENCE.md"
    assert REFERENCE.read_text(encoding="utf-8") == made, remedy


def test_each_fixture_has_an_example() -> None:
    """Every fixture that a sequence may ask for, and each is asked for by its example."""
    shown = examples()
    for name in fixture_functions():
        assert f"{name}," in shown[f"test_{name}"] or f"{name})" in shown[f"test_{name}"]


def test_every_example_runs(visit: MakeVisit, tmp_path: Path) -> None:
    """On the twin of the demo's stand each passes, but for those that a person or a battery decides."""
    sequence = shutil.copy(EXAMPLES, tmp_path / "test_examples.py")
    done = visit(str(sequence))
    mine = {
        id_.partition("::")[2]: verdict for id_, verdict in done.verdicts().items() if "test_examples" in id_
    }
    assert {name.partition("[")[0] for name in mine} == {*examples()} - {"test_thresholds"}, done.out
    others = {name for name, verdict in mine.items() if verdict != "passed"}
    assert others == {"test_operator", "test_not_performed"}, done.out
    assert {mine[name] for name in others} == {"not performed"}
