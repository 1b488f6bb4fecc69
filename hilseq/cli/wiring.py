"""`hilseq wiring`: the wiring list of a stand as CSV, out of a stand file and back into one, one wire a row.

A wiring list exists as a spreadsheet in most shops. The first columns say what is wired where (signal, slot, terminal,
direction), the others are the keys of a signal, a nested one with a dot (`calibration.due`). Cells are text; what a
spreadsheet would run as a formula is written behind an apostrophe (OWASP, CSV Injection) and read back without.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hilseq.cli.command import StandOption, group_app
from hilseq.errors import DescriptionError, Problem, UsageError

if TYPE_CHECKING:
    from hilseq.description.findings import SourcePosition

SIGNAL, SLOT, TERMINAL, DIRECTION = "signal", "slot", "terminal", "direction"
_FIRST = (SIGNAL, SLOT, TERMINAL, DIRECTION)
_DIRECTIONS = ("drives", "senses")
_DELIMITERS = ",;\t"
#: How a cell begins that a spreadsheet takes for a formula; a plain number is none.
_FORMULA = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[-+]?(?:0x[0-9a-fA-F]+|[0-9]+(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?)")
#: What a cell must not hold to stand in YAML without quotes.
_PLAIN = re.compile(r"[A-Za-z0-9./%+-][A-Za-z0-9 ._/%+-]*")


def export_wiring(path: Path) -> str:
    """Return the signals of a stand file as CSV. Raises DescriptionError."""
    from hilseq.description.loading import read_stand

    loaded = read_stand(path)
    loaded.whole()
    rows = []
    signals = loaded.document.child("signals") if loaded.document is not None else None
    for name, signal in signals.items() if signals is not None else ():
        cells = dict(_flat(signal))
        direction = next((key for key in _DIRECTIONS if key in cells), "")
        slot, _, terminal = cells.pop(direction, "").partition(".")
        rows.append({SIGNAL: str(name), SLOT: slot, TERMINAL: terminal, DIRECTION: direction, **cells})
    columns = list(dict.fromkeys((*_FIRST, *(column for row in rows for column in row))))
    target = io.StringIO()
    writer = csv.DictWriter(target, columns, restval="", lineterminator="\r\n")  # RFC 4180, section 2
    writer.writeheader()
    for row in rows:
        writer.writerow({column: _disarmed(cell) for column, cell in row.items()})
    return target.getvalue()


def _flat(signal: SourcePosition, above: str = "") -> Iterator[tuple[str, str]]:
    for key, value in signal.items():
        if isinstance(value.content, dict):
            yield from _flat(value, f"{above}{key}.")
        else:
            as_read = isinstance(value.content, str | int) and not isinstance(value.content, bool)
            yield f"{above}{key}", str(value.content) if as_read else value.text


def _disarmed(cell: str) -> str:
    return f"'{cell}" if _FORMULA.match(cell) and not _NUMBER.fullmatch(cell) else cell


@dataclass(frozen=True, slots=True)
class _Cell:
    """What a row says under a heading; `column` counts the cells from 1."""

    text: str
    line: int
    column: int


def import_wiring(table: Path, stand: Path) -> str:
    """Return a stand file's text with the signals of a CSV in place of its own.

    Raises DescriptionError: every fault of the table, with its line and the number of the cell in it, and every
    fault that the stand file would have with it. Comments between the old signals are gone.
    """
    from hilseq.description.loading import read_document
    from hilseq.description.stand import Stand
    from hilseq.description.yaml_text import compose, read_text

    rows = _rows(table)
    text = read_text(stand)
    document, _ = compose(text, stand)
    lines = text.splitlines()
    begin, end = _section(document, lines)
    section, cells = _section_lines(rows, begin)
    new = "\n".join([*lines[:begin], *section, *lines[end:]]) + "\n"
    composed, traps = compose(new, stand)
    problems = read_document(composed, traps, stand, "stand", Stand).problems
    if problems:
        shift = len(section) - (end - begin)
        placed = [_placed(problem, cells, table, begin + len(section), shift) for problem in problems]
        # What the table has spoilt is wrong in the stand file too: the table comes first.
        raise DescriptionError(_joined([problem for problem in placed if problem.path == table] or placed))
    return new


def _rows(path: Path) -> list[dict[str, _Cell]]:
    from hilseq.description.yaml_text import read_text

    text = read_text(path)
    problems: list[Problem] = []
    first = text.partition("\n")[0]
    delimiter = max(_DELIMITERS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[dict[str, _Cell]] = []
    seen: dict[str, int] = {}
    headings: list[str] = []
    line = 1
    try:
        for cells in reader:
            here, line = line, reader.line_num + 1
            if not headings:
                headings = _headings(cells, path, problems)
            elif any(cell.strip() for cell in cells):
                row = _row(cells, headings, here, path, problems)
                name = row[SIGNAL].text if SIGNAL in row else ""
                if name and name in seen:
                    wrong = f"the signal {name[:60]!r} stands here a second time"
                    expected = f"each signal once; the first is in line {seen[name]}"
                    problems.append(Problem(path, here, row[SIGNAL].column, wrong, expected))
                seen.setdefault(name, here)
                rows.append(row)
    except csv.Error as error:
        problems.append(
            Problem(path, line, 1, f"this is no CSV: {error}", "quotes around a cell, doubled inside")
        )
    if not rows and not problems:
        problems.append(Problem(path, 0, 0, "no row below the headings", "one row for each signal"))
    if problems:
        raise DescriptionError(_joined(problems))
    return rows


def _joined(problems: Iterable[Problem]) -> list[Problem]:
    """Return problems, each once for the rows of a column: a wrong word is mostly one that was filled down."""
    alike: dict[tuple[int, str], list[Problem]] = {}
    for problem in sorted(problems):
        alike.setdefault((problem.column, problem.wrong), []).append(problem)
    return [
        replace(first, wrong=f"{first.wrong} (and {len(rest)} more like it)") if rest else first
        for first, *rest in alike.values()
    ]


def _headings(cells: Sequence[str], path: Path, problems: list[Problem]) -> list[str]:
    from hilseq.description.findings import SLIP, nearest_word

    known = _columns()
    found = []
    for column, cell in enumerate(cells, 1):
        heading = cell.strip().lower().replace(" ", "-").replace("_", "-")
        if heading in found and heading:
            problems.append(
                Problem(path, 1, column, f"the heading {heading[:60]!r} stands here a second time")
            )
        outer = heading.partition(".")[0]
        near = nearest_word(outer, known, likeness=SLIP) if outer not in known else ""
        if heading and near:
            wrong = f"the heading {cell[:60]!r} is not known"
            problems.append(Problem(path, 1, column, wrong, f"one of {', '.join(known)}", near))
        found.append(heading)
    lacking = [needed for needed in (SIGNAL, "io") if needed not in found]
    problems += [
        Problem(path, 1, 1, f"there is no column {needed!r}", "the headings of `wiring export`")
        for needed in lacking
    ]
    return found


def _columns() -> tuple[str, ...]:
    from hilseq.description.fields import keys_of
    from hilseq.description.modbus import ModbusSignal
    from hilseq.description.stand import Signal

    keys = [key for key in {**keys_of(ModbusSignal), **keys_of(Signal)} if key not in _DIRECTIONS]
    return (*_FIRST, *keys)


def _row(
    cells: Sequence[str], headings: Sequence[str], line: int, path: Path, problems: list[Problem]
) -> dict[str, _Cell]:
    row: dict[str, _Cell] = {}
    sound = len(problems)
    if len(cells) > len(headings) and any(cell.strip() for cell in cells[len(headings) :]):
        wrong = f"{len(cells)} cells in a row under {len(headings)} headings"
        problems.append(Problem(path, line, len(headings) + 1, wrong, "a cell for each heading"))
    for column, (heading, cell) in enumerate(zip(headings, cells, strict=False), 1):
        text = cell.strip(" \u00a0")
        if not text:
            continue
        if not heading:
            wrong, expected = f"{text[:40]!r} stands under no heading", "a heading, or an empty cell"
            problems.append(Problem(path, line, column, wrong, expected))
            continue
        if not text.isprintable():
            problems.append(
                Problem(path, line, column, f"a control character under {heading}", "one line of text")
            )
            continue
        if text[0] == "'" and _FORMULA.match(text[1:]):
            text = text[1:]
        elif text[0] in "=@" or (
            text[0] in "+-" and not _NUMBER.fullmatch(text) and not re.match(r"[+-][0-9.]", text)
        ):
            wrong = f"{text[:40]!r} under {heading} is a formula"
            problems.append(Problem(path, line, column, wrong, "its value; paste values only"))
            continue
        row[heading] = _Cell(text, line, column)
    if SIGNAL not in row and SIGNAL in headings and len(problems) == sound:
        wrong = "no name under signal"
        problems.append(
            Problem(path, line, headings.index(SIGNAL) + 1, wrong, "a name for each wire, such as q01")
        )
    _put_terminal(row, line, path, problems)
    return row


def _put_terminal(row: dict[str, _Cell], line: int, path: Path, problems: list[Problem]) -> None:
    """Join slot, terminal and direction to the key that a signal has."""
    from hilseq.description.findings import nearest_word

    slot, terminal = row.pop(SLOT, None), row.pop(TERMINAL, None)
    direction = row.pop(DIRECTION, None)
    if slot is None and terminal is None and direction is None:
        return
    if slot is None or terminal is None or direction is None:
        known = slot or terminal or direction
        column = known.column if known is not None else 1
        wrong = "slot, terminal and direction belong together"
        problems.append(Problem(path, line, column, wrong, "all three, or none for a free signal"))
    elif direction.text.lower() not in _DIRECTIONS:
        wrong = f"the direction {direction.text[:40]!r} is not known"
        near = nearest_word(direction.text, _DIRECTIONS)
        expected = "drives (the stand drives the unit) or senses"
        problems.append(Problem(path, line, direction.column, wrong, expected, near))
    else:
        row[direction.text.lower()] = _Cell(f"{slot.text}.{terminal.text}", line, terminal.column)


def _section(document: SourcePosition, lines: Sequence[str]) -> tuple[int, int]:
    """Return the lines, counted from 0, that the signals of a document fill; the end is behind them."""
    starts = sorted(value.start.line - 1 for _, value in document.items())
    old = document.child("signals")
    if old is None:
        return len(lines), len(lines)
    begin = old.start.line - 1
    end = next((start for start in starts if start > begin), len(lines))
    while end > begin + 1 and re.match(r"\s*(?:#|$)", lines[end - 1]):
        end -= 1  # a comment in front of the next key belongs to that
    return begin, end


def _section_lines(
    rows: Sequence[Mapping[str, _Cell]], begin: int
) -> tuple[list[str], dict[int, list[tuple[int, _Cell]]]]:
    """Return the lines of `signals`, and for each line of the file the columns at which its cells begin."""
    section = ["signals:"]
    cells: dict[int, list[tuple[int, _Cell]]] = {}
    for row in rows:
        line = f"  {_scalar(row[SIGNAL].text)}: "
        marks = [(1, row[SIGNAL])]
        nested: dict[str, list[tuple[str, _Cell]]] = {}
        for key, cell in row.items():
            outer, dot, inner = key.partition(".")
            if key != SIGNAL:
                nested.setdefault(outer, []).append((inner if dot else "", cell))
        parts = []
        length = len(line) + 1
        for key, members in nested.items():
            part = f"{key}: "
            if members[0][0]:
                part += "{" + ", ".join(f"{inner}: {_scalar(cell.text)}" for inner, cell in members) + "}"
            else:
                part += _scalar(members[0][1].text)
            marks.append((length + 1, members[0][1]))
            parts.append(part)
            length += len(part) + 2
        section.append(line + "{" + ", ".join(parts) + "}")
        cells[begin + len(section)] = marks
    return section, cells


def _scalar(text: str) -> str:
    """Return a cell as YAML: a number as it is, a word that YAML would take for something else in quotes."""
    from hilseq.description.yaml_text import ScalarTrapError, number_hint, read_scalar

    number = number_hint(text) or text
    if _NUMBER.fullmatch(number) and not re.fullmatch(r"[-+]?0[0-9].*", number):
        return number
    if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        return text
    if text in ("true", "false"):
        return text
    if _PLAIN.fullmatch(text):
        with suppress(ScalarTrapError):  # such as 0012, an octal number without quotes
            if isinstance(read_scalar(text), str):
                return text
    return json.dumps(text, ensure_ascii=False)


def _placed(
    problem: Problem, cells: Mapping[int, list[tuple[int, _Cell]]], table: Path, end: int, shift: int
) -> Problem:
    """Return a problem of the new stand file at the cell, or the line of the old file, that it comes from."""
    if problem.line in cells:
        marks = cells[problem.line]
        cell = [cell for column, cell in marks if column <= problem.column][-1]
        return Problem(table, cell.line, cell.column, problem.wrong, problem.expected, problem.nearest)
    line = problem.line - shift if problem.line > end else problem.line
    return Problem(problem.path, line, problem.column, problem.wrong, problem.expected, problem.nearest)


def make_wiring_app() -> typer.Typer:
    """Return the sub-commands of `hilseq wiring`."""
    return group_app(
        "The wiring list of a stand as CSV: out of a stand file, and into one.\n\n"
        "Example: hilseq wiring export --stand stands/sim-bench.yaml",
        {
            "export": export_command,
            "import": import_command,
        },
    )


def export_command(
    stand: StandOption,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The CSV file to write; printed otherwise.")
    ] = None,
) -> None:
    """Write the signals of a stand file as CSV, one wire a row: signal, slot, terminal, direction, io, address.

    A file that exists is not written over.

    Example: hilseq wiring export --stand stands/sim-bench.yaml --out wiring.csv
    """
    _hand_out(export_wiring(stand), out)


def import_command(
    table: Annotated[
        Path, typer.Argument(metavar="CSV", help="The wiring list, with the headings of the export.")
    ],
    stand: StandOption,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The stand file to write; printed otherwise.")
    ] = None,
) -> None:
    """Write a stand file anew with the wires of a CSV file in place of its own; all else stays as it is.

    Commas, semicolons or tabs part the cells. Every fault is reported as FILE:LINE:CELL, and nothing is written then. A
    file that exists is not written over.

    Example: hilseq wiring import wiring.csv --stand stands/sim-bench.yaml --out my-bench.yaml
    """
    _hand_out(import_wiring(table, stand), out)


def _hand_out(text: str, out: Path | None) -> None:
    if out is None:
        typer.echo(text, nl=False)
        return
    try:
        with out.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{out} already exists and is not written over; choose another file") from None
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}; choose another file") from error
