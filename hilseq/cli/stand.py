"""`hilseq stand`: who uses a stand, since when, whether it is kept off; and releasing it."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.cli.command import StandOption
from hilseq.cli.safe import patience_with

if TYPE_CHECKING:
    from collections.abc import Mapping

    from hilseq.description.stand import Stand
    from hilseq.lease.addresses import StandInstrument
    from hilseq.lease.latch import Latch, LatchLine
    from hilseq.lease.lease import InstrumentUse
    from hilseq.owner.wire import LineLoad

_QUESTION = "Why may the stand be powered again?"


def stand_command(
    stand: StandOption,
    release: Annotated[
        bool, typer.Option("--release", help="Let a stand be powered again that `hilseq safe` keeps off.")
    ] = False,
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="Why it may be powered again; asked for at a terminal.")
    ] = "",
    end: Annotated[
        bool,
        typer.Option("--end", help="Have whoever works on the stand end, as for Ctrl-C: it is left safe."),
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for programs.")] = False,
    word: Annotated[
        str, typer.Argument(metavar="key", help="key: print the public key that the stand signs with.")
    ] = "",
) -> None:
    """Show who uses a stand on this computer: by which run, since when, with which unit in which slot.

    No instrument is asked. Where runs of several slots may work at once, the load of each instrument is shown. --end
    has all of them end. --release ends what `hilseq safe` began; who did it and why is kept beside the latch.
    `hilseq stand key` prints instead the stand's name and the public part of the key it signs its journals with, made
    where there is none. Publish that line: whoever has it can tell by `hilseq verify --key FILE` what this stand has
    signed. The secret part lies in the folder HILSEQ_KEYS (default ~/.config/hilseq/keys), readable by its user only.

    Exit code: 0 reported or released, 2 bad file or option, 4 when this computer's locks cannot be read.

    Example: hilseq stand --stand stands/lan-bench.yaml
    """
    from hilseq.description.loading import load_stand
    from hilseq.errors import UsageError
    from hilseq.lease.addresses import instruments_of
    from hilseq.lease.latch import Latch
    from hilseq.lease.lease import end_users, uses_of
    from hilseq.owner.membership import state_of_owner

    described = load_stand(stand)
    if word:
        _tell_key(described, word)
        return
    instruments = instruments_of(described)
    latch = Latch(instruments)
    if reason and not release:
        raise UsageError("--reason says why a stand is released; expected --release with it")
    if release:
        _release(latch, described, reason)
    if end:
        for words in end_users(uses_of(instruments), patience=patience_with(described)):
            typer.echo(words)
    uses, owned = uses_of(instruments), state_of_owner(instruments)
    loads = {part: load for load in (owned.loads if owned else ()) for part in load.parts}
    if json:
        typer.echo(_as_json(described, uses, latch.standing(), loads))
        return
    for line in _lines(described, uses, latch, loads):
        typer.echo(line)


def _tell_key(stand: Stand, word: str) -> None:
    from hilseq.errors import UsageError
    from hilseq.signing import stand_key

    if word != "key":
        raise UsageError(f"hilseq stand {word!r}: expected key, or nothing")
    typer.echo(f"{stand.stand} {stand_key(stand.stand).public}")


def _release(latch: Latch, stand: Stand, reason: str) -> None:
    from hilseq.errors import UsageError

    standing = latch.standing()
    if standing is None:
        raise UsageError(f"stand {stand.stand} is not kept off: there is nothing to release")
    if not reason.strip() and sys.stdin.isatty():
        reason = typer.prompt(f"latched {standing.words}\n{_QUESTION}", default="", show_default=False)
    if not reason.strip():
        raise UsageError("a release needs its reason: --release --reason TEXT")
    latch.release(reason.strip())


def _lines(stand: Stand, uses: list[InstrumentUse], latch: Latch, loads: Mapping[str, LineLoad]) -> list[str]:
    from hilseq.reports.sanitize import sanitize

    standing, released = latch.standing(), latch.last_release()
    state = "KEPT OFF" if standing is not None else "in use" if any(use.is_held for use in uses) else "free"
    lines = [f"stand {stand.stand}: {state}"]
    if standing is not None:
        lines.append(f"latched {sanitize(standing.words)}")
        lines.append("released by: hilseq stand --stand FILE --release --reason TEXT")
    elif released is not None:
        lines.append(f"last released {sanitize(released.words)}")
    held = {run.words: run for use in uses if use.holder is not None for run in use.holder.runs}
    for words, holder in held.items():
        lines.append(sanitize(f"in use by {words}"))
        lines += [sanitize(f"  slot {slot}: {serial}") for slot, serial in holder.units.items()]
    taken = {slot for holder in held.values() for slot in holder.units}
    lines += [f"  slot {slot}: free" for slot in stand.slots if slot not in taken]
    lines += [f"{_named(use.instrument)}: {_use(use)}{_load(loads, use)}" for use in uses]
    return lines


def _named(instrument: StandInstrument) -> str:
    return f"{instrument.part} ({instrument.address})"


def _use(use: InstrumentUse) -> str:
    if not use.is_held:
        return "free"
    if use.holder is None:
        return "in use by a process that has not said who it is"
    return f"in use by process {use.holder.process.pid}"


def _load(loads: Mapping[str, LineLoad], use: InstrumentUse) -> str:
    load = loads.get(use.instrument.part)
    if load is None:
        return ""
    spared = f", {load.spared} more answered by another's read" if load.spared else ""
    return f", {load.exchanges} exchanges{spared}, busy {100 * load.busy:.0f} % of the time"


def _as_json(
    stand: Stand,
    uses: list[InstrumentUse],
    standing: LatchLine | None,
    loads: Mapping[str, LineLoad],
) -> str:
    import json
    from dataclasses import asdict

    return json.dumps(
        {
            "stand": stand.stand,
            "kept_off": None if standing is None else asdict(standing),
            "slots": {
                slot: next((u.holder.units[slot] for u in uses if u.holder and slot in u.holder.units), None)
                for slot in stand.slots
            },
            "runs": {
                slot: asdict(run)
                for use in uses
                if use.holder is not None
                for run in use.holder.runs
                for slot in run.units
            },
            "instruments": [
                {
                    "part": use.instrument.part,
                    "address": use.instrument.address,
                    "in_use": use.is_held,
                    "holder": None if use.holder is None else asdict(use.holder),
                    "load": asdict(loads[use.instrument.part]) if use.instrument.part in loads else None,
                }
                for use in uses
            ],
        },
        indent=2,
    )
