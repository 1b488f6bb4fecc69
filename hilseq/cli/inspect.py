"""`hilseq inspect`: validate and cross-check stand files and profiles without touching hardware."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.cli.command import say
from hilseq.errors import Problem, UsageError

if TYPE_CHECKING:
    from hilseq.description.inspection import Inspection

#: Exit code for a bad file: nothing was powered.
BAD_FILE = 2
_PLURALS = {"supply": "supplies", "io": "io"}


def inspect_command(
    files: Annotated[
        list[Path] | None,
        typer.Argument(metavar="FILE", help="Stand files and profiles, in any order.", show_default=False),
    ] = None,
    words: Annotated[
        str | None,
        typer.Option(help="Print the reference of every key of a `stand` or a `profile`.", metavar="KIND"),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON, for programs.")] = False,
) -> None:
    """Validate stand files and profiles, and check them against each other; nothing is powered.

    Every problem of every file is printed at once, as file:line:column: what is wrong; what was expected; the
    nearest right word. A slot and a unit given together must fit each other.

    Example: hilseq inspect stands/sim-bench.yaml stands/units/rh16.yaml
    """
    if words is not None:
        print_words(words)
        return
    if not files:
        raise UsageError(
            "nothing to inspect: give stand files and profiles, or --words stand, or --words profile"
        )
    raise typer.Exit(inspect_files(files, json=json))


def inspect_files(paths: Sequence[Path], *, json: bool = False) -> int:
    """Inspect files; print problems to stderr and what the files hold to stdout; return the exit code."""
    from hilseq.description.inspection import inspect

    found = inspect(paths)
    code = BAD_FILE if found.problems else 0
    if json:
        _print_json(found, code)
        return code
    for problem in found.problems:
        say(problem, err=True)
    for warning in found.warnings:
        say(f"warning: {warning}", err=True)
    for line in summary_lines(found):
        say(line)
    return code


def summary_lines(found: Inspection) -> list[str]:
    """Return one line for each sound file and each unit that fits a slot."""
    lines = [
        f"{file.kind} {file.name}: "
        + ", ".join(f"{count} {_plural(what, count)}" for what, count in file.holds.items())
        for file in found.files
    ]
    alike: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
    for fit in found.fits:
        alike.setdefault((fit.profile, fit.stand, tuple(fit.unmeasured)), []).append(fit.slot)
    for (profile, stand, unmeasured), slots in alike.items():
        where = f"slot{'s' if len(slots) > 1 else ''} {', '.join(slots)}"
        lines.append(f"profile {profile} fits {where} of stand {stand}")
        if unmeasured:
            lines.append(f"  not measured there: {'; '.join(unmeasured)}")
    return lines


def print_words(kind: str) -> None:
    """Print the reference of every key of a kind of file. Raises UsageError."""
    from hilseq.description.reference import KINDS, as_markdown

    if kind not in KINDS:
        raise UsageError(f"--words {kind[:40]!r} is not known; expected {' or '.join(KINDS)}")
    typer.echo(as_markdown(kind), nl=False)


def _plural(what: str, count: int) -> str:
    return what if count == 1 else _PLURALS.get(what, f"{what}s")


def _print_json(found: Inspection, code: int) -> None:
    import json

    def problem_as_json(problem: Problem) -> dict[str, object]:
        return {
            "path": str(problem.path),
            "line": problem.line,
            "column": problem.column,
            "wrong": problem.wrong,
            "expected": problem.expected,
            "nearest": problem.nearest,
        }

    answer = {
        "exit_code": code,
        "files": [
            {"path": str(file.path), "kind": file.kind, "name": file.name, "holds": file.holds}
            for file in found.files
        ],
        "fits": [
            {
                "profile": fit.profile,
                "stand": fit.stand,
                "slot": fit.slot,
                "unmeasured": list(fit.unmeasured),
            }
            for fit in found.fits
        ],
        "problems": [problem_as_json(problem) for problem in found.problems],
        "warnings": [problem_as_json(warning) for warning in found.warnings],
    }
    typer.echo(json.dumps(answer, indent=2, ensure_ascii=False))
