"""The slots of a bench in lines: what goes on in each, how far it is, what came of it. Pure: from states to text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from hilseq.journal.run_state import UnitState
from hilseq.reports.visit_lines import STYLES, WIDTH, fit, wrapped
from hilseq.verdicts import Disposition

_SLOT = 5
#: Share of the checks before which nothing is said of the time left.
_TOO_EARLY = 0.05


def present_stage(unit: UnitState) -> str:
    """Return the stage that a unit is in: that of the check that goes on, or of the last one that did."""
    begun = [check for check in unit.checks if check.started]
    going = [check for check in begun if not check.ended]
    return (going or begun)[-1].stage if begun else ""


def time_left(done: int, planned: int, elapsed: float) -> float | None:
    """Return about how long the checks that are ahead will take, s, as fast as those before; None too early."""
    return elapsed * (planned - done) / done if planned and done >= _TOO_EARLY * planned else None


def board_lines(told: Mapping[str, Any]) -> list[Text]:
    """Return the board of a stand in lines of at most 80 columns, of what `hilseq.live.bench_presenter` tells."""
    lines = [Text(f"stand {told['stand']}", "bold")]
    for place in told["slots"]:
        said = place["disposition"]
        line = Text("  ")
        line.append(f"{fit(place['slot'], _SLOT - 1):<{_SLOT}}", "bold")
        line.append(f"{fit(said['word'].upper(), 18):<19}", _style(said["code"]))
        line.append(f"{fit(place['unit'], 22):<23}")
        if place["unit"]:
            far = f"{place['done']} of {place['planned']}"
            line.append(fit(" ".join(filter(None, (place["stage"], far))), WIDTH - len(line.plain)))
        lines.append(line)
        values = (
            f"mode {place['mode']}" if place["mode"] else "",
            place["current"],
            place["temperature"],
            f"{place['left']} left" if place["left"] else "",
        )
        if any(values):
            lines.append(Text(fit(f"{'':<{_SLOT + 2}}{', '.join(filter(None, values))}", WIDTH), "dim"))
    if told["free"]:
        lines += wrapped(f"free: {', '.join(told['free'])}", indent=2)
    return lines + [line for words in told["next"] for line in wrapped(words, indent=2, style="bold")]


def _style(code: str) -> str:
    return next((STYLES[one] for one in Disposition if str(one).replace(" ", "-") == code), "")
