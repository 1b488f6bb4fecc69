"""`hilseq safe`: make a stand safe now, whoever uses it, and keep it off."""

from __future__ import annotations

import time
from contextlib import suppress
from typing import TYPE_CHECKING

import typer

from hilseq.cli.command import StandOption

if TYPE_CHECKING:
    from hilseq.description.stand import Stand
    from hilseq.lease.addresses import StandInstrument
    from hilseq.lease.lease import Lease

#: Time after which it is looked again whether everything is still off, s.
LOOK_AGAIN = 3.0


def safe_command(
    stand: StandOption,
) -> None:
    """Switch every supply of the stand off and release every drive, verified, whoever uses it, and keep it off.

    A run that uses the stand is asked to end, and killed when it does not answer within a second; it ends as stopped
    by a person: nothing is said against its units. A few seconds later everything is looked at again. No command
    powers the stand from then on, until: hilseq stand --release --reason TEXT

    Exit code: 0 verified, 2 bad stand file, 4 when anything could not be verified.
    This is no emergency stop: where there is danger, use the one on the stand.

    Example: hilseq safe --stand stands/lan-bench.yaml
    """
    from hilseq.description.loading import load_stand
    from hilseq.errors import HilseqError
    from hilseq.lease.addresses import instruments_of
    from hilseq.lease.latch import Latch
    from hilseq.lease.lease import end_users, uses_of
    from hilseq.verdicts import ExitCode

    described = load_stand(stand)
    instruments = instruments_of(described)
    right, uses = True, []
    with suppress(HilseqError):  # reported below
        uses = uses_of(instruments)  # before the latch, which ends runs by itself
    try:
        Latch(instruments).set("hilseq safe")
    except HilseqError as error:
        right = False
        typer.echo(f"NOT KEPT OFF: {error}", err=True)
    try:
        for words in end_users(uses or uses_of(instruments), patience=patience_with(described)):
            typer.echo(words)
    except HilseqError as error:
        typer.echo(str(error), err=True)
    lease = _held(instruments, described)
    try:
        right = _off(described) and right
    finally:
        lease.close()
    if right:
        typer.echo(f"kept off until: hilseq stand --stand {stand} --release --reason TEXT")
    raise typer.Exit(int(ExitCode.SHIP if right else ExitCode.STAND_FAULT))


def patience_with(stand: Stand) -> float:
    """Return how long a run may take to switch off: as long as it tries a mute instrument, s."""
    deadlines = [one.deadline for one in stand.supplies.values()] + [
        one.deadline for one in stand.io.values()
    ]
    return 5.0 + 3.0 * sum(deadlines)


def _held(instruments: list[StandInstrument], stand: Stand) -> Lease:
    """Hold the stand while it is switched off; where somebody else cannot be ended, it is switched off nevertheless."""
    from hilseq.errors import HilseqError
    from hilseq.lease.holder import Holder
    from hilseq.lease.lease import Lease

    lease = Lease(instruments, Holder.this("safe", stand.stand))
    try:
        lease.take()
    except HilseqError as error:
        typer.echo(f"{error}; it is switched off all the same", err=True)
    return lease


def _off(stand: Stand) -> bool:
    """Switch everything off, say so of each instrument, and look again; return whether all is off."""
    from hilseq.clock import WallClock
    from hilseq.procedures.bench import Bench

    bench = Bench(stand, {}, {}, WallClock(), lambda _what, _text, _slot: None)
    try:
        found = bench.reach_safe_state()
        for part, why in found.items():
            done = "off" if part.startswith("supply ") else "drives released"
            typer.echo(f"{part}: {f'NOT VERIFIED: {why}' if why else f'{done}, verified by reading back'}")
        time.sleep(LOOK_AGAIN)
        again = {
            seen.part: seen.words for seen in bench.look() if not seen.at_rest and not found.get(seen.part)
        }
        for part, words in again.items():
            typer.echo(f"{part}: {words}, {LOOK_AGAIN:g} s after it was switched off by us")
        if again:
            bench.reach_safe_state()
        elif not any(found.values()):
            typer.echo(f"looked at again after {LOOK_AGAIN:g} s: still off")
    finally:
        with suppress(KeyboardInterrupt):
            bench.close()
    return not again and not any(found.values())
