"""`hilseq watch`: follow a run, or a whole stand, from another terminal, or another machine that sees the folder."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hilseq.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import RenderableType

    from hilseq.live.follower import Follower, RunsFolder
    from hilseq.live.soaking import SampledSoak


@dataclass(frozen=True, slots=True)
class Board:
    """A stand whose slots are shown: the folder of its runs, its name, and its slots where they are known."""

    folder: RunsFolder
    stand: str
    slots: tuple[str, ...] = ()


#: Lines of events that the live view shows.
_LATEST = 8
#: Without a terminal, wall time between two lines that say how it goes, s.
PLAIN_EVERY = 60.0


def watch_command(
    run: Annotated[
        Path,
        typer.Argument(
            metavar="RUN|STAND",
            help="Folder of a running or completed run; or a stand file: the whole stand.",
        ),
    ],
    runs: Annotated[Path, typer.Option(metavar="DIR", help="With a stand: folder of its runs.")] = Path(
        "runs"
    ),
    once: Annotated[bool, typer.Option("--once", help="Show the present state, and end.")] = False,
    every: Annotated[float, typer.Option(metavar="SECONDS", min=0.1, help="Time between two looks.")] = 1.0,
) -> None:
    """Follow a run: checks, the soak with time left, mode strip, current, temperature and events.

    Reads the files of the run and has no effect on it. Ends when the run does, and so does Ctrl-C.

    With a stand file it shows every slot with its unit, how far it is, its verdict, and who must do what next. A folder
    that several units of one stand were tested into (`--out`) shows the same.

    Example: hilseq watch runs/20260105-080000-RH-0001

    Example: hilseq watch stands/rack-bench.yaml
    """
    from hilseq.journal.reader import find_journal
    from hilseq.live.follower import Follower

    board = _board_of(run, runs)
    if board is not None:
        _watch_board(board, every, once=once)
        return
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


def _board_of(asked: Path, runs: Path) -> Board | None:
    """Return the board that is asked for: of a stand file, or of a folder with the runs of a stand; None for a run."""
    from hilseq.live.bench_presenter import stands_of
    from hilseq.live.follower import RunsFolder

    if asked.is_file() and asked.suffix in (".yaml", ".yml"):
        from hilseq.description.loading import load_stand

        stand = load_stand(asked)
        return Board(RunsFolder(runs), stand.stand, tuple(stand.slots))
    if asked.is_dir() and not (asked / "journal.jsonl").exists():
        folder = RunsFolder(asked)
        stands = stands_of(folder)
        if len(stands) == 1:
            return Board(folder, stands[0])
    return None


def _watch_board(board: Board, every: float, *, once: bool) -> None:
    """Show a board until Ctrl-C.

    Without a terminal it is printed where a verdict or a next step is new, and once a minute where anything else is.
    """
    from rich.text import Text

    from hilseq.reports.bench_lines import board_lines

    def looked() -> Mapping[str, Any]:
        from hilseq.live.bench_presenter import bench_reported

        reported = bench_reported(board.folder, board.stand, board.slots)
        return reported or {"stand": board.stand, "slots": [], "next": [], "free": []}

    def shown() -> Text:
        return Text("\n").join(board_lines(looked()))

    try:
        if once:
            print(shown().plain)
        elif sys.stdout.isatty():
            from rich.live import Live

            with Live(shown(), auto_refresh=False) as live:
                while True:
                    time.sleep(every)
                    live.update(shown(), refresh=True)
        else:
            said, page, said_at = tuple[object, ...](), "", 0.0
            while True:
                now = looked()
                news = (*((place["unit"], place["disposition"]) for place in now["slots"]), *now["next"])
                text = "\n".join(line.plain for line in board_lines(now))
                is_due = news != said or time.monotonic() - said_at >= PLAIN_EVERY
                if text != page and is_due:
                    print(text, flush=True)
                    said, page, said_at = news, text, time.monotonic()
                time.sleep(every)
    except KeyboardInterrupt:
        return


def lines(follower: Follower) -> list[str]:
    """Return how a run stands, in lines."""
    from hilseq.journal.causes import diagnosis
    from hilseq.reports.formatting import at_places
    from hilseq.reports.sanitize import sanitize

    record = follower.record
    if record is None:
        return [f"no run to show yet{': ' + follower.refused if follower.refused else ''}"]
    reported = [sanitize(f"{record.run} on stand {record.stand}: {follower.liveness.reported}")]
    for unit in record.units:
        done = f"{sum(check.started for check in unit.checks)} of {len(unit.checks)} checks begun"
        if record.end is not None:
            done = f"{str(record.final(unit)).upper()}, {done.removesuffix(' begun')}"
        reported.append(sanitize(f"{unit.part} {unit.serial}: {done}"))
        reported += [sanitize(f"  {at_places(one.places, one.what)}") for one in diagnosis(unit).causes]
        if unit.damage:
            reported.append(sanitize(f"  CAUTION: {unit.damage}"))
        soak = follower.soaks.get(unit.slot)
        if soak is not None:
            reported += soak_lines(soak)
    return reported


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
    reported = [f"  soak: {words.status(soak.lasted, state.until, strip, values, len(state.incidents))}"]
    reported += [f"    {words.event_line(event)}" for event in state.events[-_LATEST:]]
    reported += [f"    {words.gap_line(gap)}" for gap in state.gaps[-2:]]
    if state.ended is not None:
        reported.append(f"    ended: {state.ended.why}")
    return reported


def _refused(follower: Follower) -> str:
    """Return why nothing can be reported of the run at all, or an empty text."""
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
    reported_at = -PLAIN_EVERY

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
        if not going or time.monotonic() - reported_at >= PLAIN_EVERY:
            reported_at = time.monotonic()
            print("\n".join(follower.look(lines)), flush=True)
        if not going:
            return
        time.sleep(every)
