"""The slots of a bench in lines: what runs in each, how far it is, its result. Pure: from states to text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from hilseq.journal.run_state import CheckState, RunState, UnitState
from hilseq.quantities import show_duration
from hilseq.reports.sanitize import sanitize
from hilseq.reports.visit_lines import STYLES, WIDTH, coarse, fit, strip_of, wrapped
from hilseq.verdicts import Disposition

_SLOT, _SERIAL, _STAGE, _COUNT = 5, 15, 17, 8
#: Share of the checks before which nothing is said about the time left.
_TOO_EARLY = 0.05


def present_stage(unit: UnitState) -> str:
    """Return the stage that a unit is in: that of the check that runs, or of the last one that did."""
    begun = [check for check in unit.checks if check.started]
    going = [check for check in begun if not check.ended]
    return (going or begun)[-1].stage if begun else ""


def time_left(done: int, planned: int, elapsed: float) -> float | None:
    """Return about how long the checks that are ahead will take, s, as fast as those before; None too early."""
    return elapsed * (planned - done) / done if planned and done >= _TOO_EARLY * planned else None


def slot_line(slot: str, serial: str, state: RunState | None, elapsed: float | None) -> Text:
    """Return one slot as a line of at most 80 columns; `elapsed` counts from its begin, s; None: it is over."""
    line = Text("  ")
    line.append(f"{fit(sanitize(slot), _SLOT - 1):<{_SLOT}}", "bold")
    line.append(f"{fit(sanitize(serial), _SERIAL - 1):<{_SERIAL}}")
    if state is None or not state.checks:
        line.append("starting", "dim")
        return line
    unit = state.units[0]
    checks: list[CheckState] = unit.checks
    done = sum(check.ended for check in checks)
    line.append(f"{fit(sanitize(present_stage(unit)), _STAGE - 1):<{_STAGE}}")
    line.append_text(strip_of(checks))
    line.append(f" {f'{done}/{len(checks)}':<{_COUNT}}")
    if elapsed is None or state.end is not None:
        disposition = state.final(unit)
        line.append(fit(disposition.upper(), WIDTH - len(line.plain)), STYLES[disposition])
    elif (left := time_left(done, len(checks), elapsed)) is not None:
        line.append(fit(f"{show_duration(coarse(left))} left", WIDTH - len(line.plain)), "dim")
    return line


def board_lines(reported: Mapping[str, Any]) -> list[Text]:
    """Return the board of a stand in lines of at most 80 columns, of what `hilseq.live.bench_presenter` tells."""
    lines = [Text(f"stand {reported['stand']}", "bold")]
    for place in reported["slots"]:
        said = place["disposition"]
        line = Text("  ")
        line.append(f"{fit(place['slot'], _SLOT - 1):<{_SLOT}}", "bold")
        line.append(f"{fit(said['word'].upper(), 19):<20}", _style(said["code"]))
        line.append(f"{fit(place['unit'], 21):<22}")
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
    if reported["free"]:
        lines += wrapped(f"free: {', '.join(reported['free'])}", indent=2)
    return lines + [line for words in reported["next"] for line in wrapped(words, indent=2, style="bold")]


def _style(code: str) -> str:
    return next((STYLES[one] for one in Disposition if str(one).replace(" ", "-") == code), "")
