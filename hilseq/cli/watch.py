"""`hilseq watch`: follow a run from another terminal, or another machine that sees its folder."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.errors import UsageError

if TYPE_CHECKING:
    from rich.console import RenderableType

    from hilseq.live.follower import Follower
    from hilseq.live.soaking import SampledSoak

#: Lines of events that the live view shows.
_LATEST = 8
#: Without a terminal, wall time between two lines that say how it goes, s.
PLAIN_EVERY = 60.0


def watch_command(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Folder of a running or completed run.")],
    once: Annotated[bool, typer.Option("--once", help="Say how it stands now, and end.")] = False,
    every: Annotated[float, typer.Option(metavar="SECONDS", min=0.1, help="Time between two looks.")] = 1.0,
) -> None:
    """Follow a run: checks, the soak with time left, mode strip, current, temperature and events.

    Reads the files of the run and nothing else: no effect on it. Ends when the run does, and so does Ctrl-C.

    Example: hilseq watch runs/20260105-080000-RH-0001
    """
    from hilseq.journal.reader import find_journal
    from hilseq.live.follower import Follower

    follower = Follower(find_journal(run).parent, every)
    refused = follower.look(_refused)
    if refused:
        raise UsageError(refused)
    try:
        if once:
            print("\n".join(follower.look(lines)))
        elif sys.stdout.isatty():
            _live(follower, every)
        else:
            _plain(follower, every)
    except KeyboardInterrupt:
        return


def lines(follower: Follower) -> list[str]:
    """Return how a run stands, in lines."""
    from hilseq.reports.sanitize import sanitize

    record = follower.record
    if record is None:
        return [f"no run to be told yet{': ' + follower.refused if follower.refused else ''}"]
    told = [sanitize(f"{record.run} on stand {record.stand}: {follower.liveness.told}")]
    for unit in record.units:
        done = sum(check.started for check in unit.checks)
        told.append(sanitize(f"{unit.part} {unit.serial}: {done} of {len(unit.checks)} checks begun"))
        told += [sanitize(f"  {finding.place}: {finding.what}") for finding in unit.findings]
        if unit.damage:
            told.append(sanitize(f"  CAUTION: {unit.damage}"))
        soak = follower.soaks.get(unit.slot)
        if soak is not None:
            told += soak_lines(soak)
    return told


def soak_lines(soak: SampledSoak) -> list[str]:
    """Return how a soak goes, in lines."""
    from hilseq.cli import soak_lines as words

    strip = words.ModeBar()
    for stretch in soak.window.stretches if soak.window is not None else ():
        well = soak.mode_name(stretch.number) == soak.state.started.mode
        strip.mark(stretch.start, stretch.end, words.WELL if well else words.UNWELL)
    for gap in soak.state.gaps:
        strip.mark(gap.start, gap.end, words.GAP)
    for event in soak.state.events:
        strip.mark(event.since, event.since, words.EVENT)
    values: list[tuple[float | None, str]] = []
    if soak.window is not None:
        values = [
            (float(soak.window.last[n]), soak.columns[n].unit)
            for n in soak.window.plotted
            if soak.columns[n].unit != "V"
        ]
    state = soak.state
    told = [f"  soak: {words.status(soak.lasted, state.until, strip, values, len(state.incidents))}"]
    told += [f"    {words.event_line(event)}" for event in state.events[-_LATEST:]]
    told += [f"    {words.gap_line(gap)}" for gap in state.gaps[-2:]]
    if state.ended is not None:
        told.append(f"    ended: {state.ended.why}")
    return told


def _refused(follower: Follower) -> str:
    """Return why nothing can be told of the run at all, or an empty text."""
    return follower.refused if follower.record is None else ""


def _goes_on(follower: Follower) -> bool:
    from hilseq.journal.run_state import RunStatus

    return follower.liveness.status is RunStatus.RUNNING


def _live(follower: Follower, every: float) -> None:
    from rich.live import Live
    from rich.text import Text

    from hilseq.cli.soak_lines import LEGEND

    def shown(seen: Follower) -> RenderableType:
        return Text("\n".join([*lines(seen), LEGEND]))

    with Live(follower.look(shown), auto_refresh=False) as live:
        while follower.look(_goes_on):
            time.sleep(every)
            live.update(follower.look(shown), refresh=True)


def _plain(follower: Follower, every: float) -> None:
    """Print what is new as it comes, and now and then how it stands."""
    said: set[str] = set()
    told_at = -PLAIN_EVERY

    def new(seen: Follower) -> list[str]:
        from hilseq.cli import soak_lines as words

        happened = [
            line
            for soak in seen.soaks.values()
            for line in [*map(words.event_line, soak.state.events), *map(words.gap_line, soak.state.gaps)]
        ]
        fresh = [line for line in happened if line not in said]
        said.update(fresh)
        return fresh

    while True:
        going = follower.look(_goes_on)
        for line in follower.look(new):
            print(line, flush=True)
        if not going or time.monotonic() - told_at >= PLAIN_EVERY:
            told_at = time.monotonic()
            print("\n".join(follower.look(lines)), flush=True)
        if not going:
            return
        time.sleep(every)
