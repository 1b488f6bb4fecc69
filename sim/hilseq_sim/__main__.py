"""`python -m hilseq_sim`: serve a simulated stand until commanded to stop.

Prints one JSON line with every endpoint once everything listens. `hilseq` starts this process itself; people
use `hilseq simulate`, which shows the same endpoints in words.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import signal
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from hilseq import gc_tuning
from hilseq.description.loading import load_stand
from hilseq.description.simulated import served_by_twin
from hilseq.description.visit import Visit, describe_visit
from hilseq.errors import HilseqError
from hilseq_sim.process import LOOPBACK, Options, Servers
from hilseq_sim.servers.loop import Loop

USAGE = 2
_NAMED = re.compile(r"([A-Za-z][A-Za-z0-9_ -]*)=(.*)", re.DOTALL)


class UsageProblemError(Exception):
    """What was asked for makes no sense; the message is for the person who typed it."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> None:  # type: ignore[override]
        raise UsageProblemError(message)


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve, and return the exit code: 0 when commanded to stop, 2 for bad input."""
    try:
        options = _parser().parse_args(arguments)
        _add_kinds(options)
        if options.catalogue or options.true_values:
            return _print_catalogue(options)
        if options.oracle:
            return _answer(options)
        servers = _servers(options)
    except (UsageProblemError, HilseqError, ValueError, OSError) as problem:
        text = str(problem) or type(problem).__name__
        sys.stderr.write("hilseq_sim: " + " | ".join(text.split("\n")) + "\n")
        return USAGE
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: servers.loop.stop())
    if options.parent_pipe:
        _stop_at_end_of(sys.stdin.fileno(), servers.loop)
    print(json.dumps({"endpoints": servers.endpoints}), flush=True)  # noqa: T201 - this is the interface
    gc_tuning.settled()
    servers.run()
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="python -m hilseq_sim", description="Serve a simulated stand.", allow_abbrev=False)
    add = parser.add_argument
    add("--stand", required=True, metavar="F", help="stand file")
    add("--unit", action="append", default=[], metavar="[SLOT=]F", help="profile of the unit in a slot")
    add("--serial", action="append", default=[], metavar="[SLOT=]SN", help="serial number the unit reports")
    add("--seed", type=int, default=0, metavar="N", help="the same seed gives the same unit and noise")
    add("--defect", action="append", default=[], metavar="SPEC", help="such as output-stuck-on@q05,after=20h")
    add(
        "--defects",
        action="append",
        default=[],
        metavar="FILE",
        help="Python file with kinds of defect of your own",
    )
    add("--clock", choices=("stepped", "wall"), default="stepped", help="who advances the world")
    add("--real-timing", action="store_true", help="draw scans, lags and answer times from the seed")
    add("--listen", default=LOOPBACK, metavar="HOST", help="address to listen on")
    add("--port", action="append", default=[], metavar="ENDPOINT=N", help='fixed port, "supply main=5025"')
    add("--single-connection", action="store_true", help="refuse a second client while the first lives")
    add("--catalogue", action="store_true", help="print the defects that make sense here as JSON, and end")
    add(
        "--oracle",
        action="store_true",
        help="for each line `SEED DEFECT; ...` of standard input print which promises the unit does not keep, and end",
    )
    add(
        "--true-values",
        action="store_true",
        help="print the true values that can be set here as JSON, and end",
    )
    add("--parent-pipe", action="store_true", help="stop when standard input ends")
    return parser


def _servers(options: argparse.Namespace) -> Servers:
    ports = _ports(options.port)
    visit = _visit(options)
    serials = _by_slot(options.serial, list(visit.profiles))
    from hilseq_sim.world.build import build_world  # late: a typing error is answered before the physics load

    world = build_world(
        visit,
        seed=options.seed,
        serials=serials,
        defects=options.defect,
        timing="drawn" if options.real_timing else "described",
    )
    return Servers(
        world,
        visit.stand,
        visit.profiles,
        Options(
            host=options.listen,
            ports=ports,
            wall=options.clock == "wall",
            single_connection=options.single_connection or world.timing.single_connection,
            seed=options.seed,
            answers=world.timing.answers,
            accept=world.timing.accept,
        ),
    )


def _add_kinds(options: argparse.Namespace) -> None:
    if options.defects or options.defect or options.catalogue or options.oracle or options.true_values:
        from hilseq_sim.defects.spec import add_from_file, add_installed

        add_installed()
        for file in options.defects:
            add_from_file(Path(file))


def _print_catalogue(options: argparse.Namespace) -> int:
    from hilseq_sim.defects.spec import catalogue_on
    from hilseq_sim.defects.true_values import true_values_on

    listed = true_values_on if options.true_values else catalogue_on
    print(json.dumps(listed(_visit(options))))  # noqa: T201 - this is the interface
    return 0


def _answer(options: argparse.Namespace) -> int:
    """Answer one line of JSON to each line `SEED DEFECT; ...`: the promises that the unit of the first slot breaks."""
    from hilseq_sim.oracle import violations
    from hilseq_sim.world.build import build_world

    visit = _visit(options)
    slot = next(iter(visit.profiles))
    for line in sys.stdin:
        seed, _, words = line.strip().partition(" ")
        defects = [word for word in map(str.strip, words.split(";")) if word]
        world = build_world(visit, seed=int(seed), defects=defects)
        print(json.dumps([asdict(broken) for broken in violations(world, slot)]), flush=True)  # noqa: T201 - as above
    return 0


def _visit(options: argparse.Namespace) -> Visit:
    path = Path(options.stand)
    slots = list(load_stand(path).slots)
    visit = describe_visit(path, {slot: Path(file) for slot, file in _by_slot(options.unit, slots).items()})
    return replace(visit, stand=served_by_twin(visit.stand))


def _by_slot(texts: Sequence[str], slots: Sequence[str]) -> Mapping[str, str]:
    """Sort `SLOT=TEXT` and plain `TEXT` by slot; plain ones take the free slots in the stand file's order."""
    named: dict[str, str] = {}
    plain: list[str] = []
    for text in texts:
        matched = _NAMED.fullmatch(text)
        if matched is None or matched[1] not in slots:
            plain.append(text)
        elif matched[1] in named:
            raise UsageProblemError(f"slot {matched[1]} is given twice")
        else:
            named[matched[1]] = matched[2]
    free = [slot for slot in slots if slot not in named]
    if len(plain) > len(free):
        raise UsageProblemError(f"no slot is left for {plain[len(free)]!r}; the stand has {', '.join(slots)}")
    return named | dict(zip(free, plain, strict=False))


def _ports(texts: Sequence[str]) -> Mapping[str, int]:
    ports = {}
    for text in texts:
        name, _, number = text.rpartition("=")
        if not name or not number.isdecimal() or int(number) > 65535:  # noqa: PLR2004 - the largest TCP port
            raise UsageProblemError(
                f'{text!r} is no fixed port; expected ENDPOINT=N such as "supply main=5025"'
            )
        ports[name] = int(number)
    return ports


def _stop_at_end_of(file: int, loop: Loop) -> None:
    def read() -> None:
        if not os.read(file, 4096):
            loop.forget(file)
            loop.stop()

    try:
        loop.watch(file, read)
    except OSError:  # a plain file or /dev/null, which is at its end already
        loop.stop()


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        sys.exit(main())
