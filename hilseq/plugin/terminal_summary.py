"""What plain pytest says at the end of a visit: the lines of `hilseq run`, in pytest's own writer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rich.text import Text

from hilseq.journal.run_state import RunState
from hilseq.reports import visit_lines

#: Words of a style -> those of pytest's writer, where they differ.
_MARKUP = {"magenta": "purple", "dim": "light"}


def write_verdicts(reporter: Any, record: RunState, folder: Path) -> None:
    """Write stages and verdict of each unit to pytest's terminal reporter."""
    letters = bool(reporter.hasmarkup)
    for told in visit_lines.verdicts_of(record, folder):
        stages = visit_lines.stages_of(told.unit)
        performed = [stage for stage in stages if not stage.not_performed]
        lines = [
            *(
                visit_lines.stage_line(stage, strip=letters, slot=len(record.units) > 1)
                for stage in performed
            ),
            *visit_lines.left_out(stages, slot=len(record.units) > 1),
            *visit_lines.verdict_lines(told, letters=letters, full=True),
        ]
        for line in lines:
            reporter.line(line.plain, **_markup(line))


def _markup(line: Text) -> dict[str, bool]:
    """Return the markup of a whole line: its own, or that of its last words, which name the verdict."""
    style = str(line.style or (line.spans[-1].style if line.spans else ""))
    return {_MARKUP.get(word, word): True for word in style.split()}
