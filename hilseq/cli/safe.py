"""`hilseq safe`: make a stand safe now."""

from __future__ import annotations

import typer

from hilseq.cli.command import StandOption


def safe_command(
    stand: StandOption,
) -> None:
    """Switch every supply of the stand off and release every drive, verified by reading back.

    Exit code: 0 verified, 2 bad stand file, 4 when anything could not be verified.
    This is no emergency stop: where there is danger, use the one on the stand.

    Example: hilseq safe --stand stands/lan-bench.yaml
    """
    from hilseq.clock import WallClock
    from hilseq.description.loading import load_stand
    from hilseq.procedures.bench import Bench

    bench = Bench(load_stand(stand), {}, {}, WallClock(), lambda _what, _text, _slot: None)
    try:
        bench.make_safe()
    finally:
        bench.close()
    typer.echo(f"{stand}: every supply is off and every drive released, verified by reading back")
