"""Folders whose journals were written anew: each command tells them with a code of its own, no page fails.

The chain of each is right, so that nothing but the content can be reported by.
"""

from __future__ import annotations

import copy
import hashlib
import json
import random
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from hilseq.cli.main import main
from hilseq.journal.chain import GENESIS

DATA = Path(__file__).parents[1] / "data" / "journals-v0"
Lines: TypeAlias = list[dict[str, Any]]

#: What stands where something else belongs.
ODD: list[Any] = [
    None, True, -1, 10**30, 2**63, 1e308, 1e-320, float("nan"), float("inf"), "nan", "", "x" * 5000, "\ud800",
    "\0", "../../x", [], {}, {"": ""}, "0001-01-01T00:00:00+00:00", "9999-12-31T23:59:59-23:59", "2026-01-01",
]  # fmt: skip
COMMANDS = {
    "verify": (("verify", "run"), {1, 2}),
    "watch": (("watch", "--once", "run"), {0, 2}),
    "resume": (("resume", "run"), {2}),
    "import": (("records", "import", "run", "--records", "records.sqlite"), {0, 1, 2}),
    "report": (("report", "run", "--out", "out"), {0, 2}),
}


def _lines(journal: Path) -> Lines:
    plain = [json.loads(line) for line in journal.read_text("ascii").splitlines()]
    return [{key: value for key, value in line.items() if key not in ("n", "chain")} for line in plain]


def _write(journal: Path, lines: Lines) -> None:
    """Write a journal whose chain is right; what the product's own writer refuses is in it too."""
    chain, out = GENESIS, list[str]()
    for number, line in enumerate(lines):
        body = json.dumps({"n": number, **line}, separators=(",", ":"))
        chain = hashlib.sha256(f"{chain}\n{body}".encode()).hexdigest()
        out.append(f'{body[:-1]},"chain":"{chain}"}}\n')
    journal.write_text("".join(out), "ascii")


def _places(value: Any, place: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner: list[Any] = (
        list(value)
        if isinstance(value, dict)
        else list(range(min(len(value), 5)))
        if isinstance(value, list)
        else []
    )
    return [place] * bool(place) + [one for key in inner for one in _places(value[key], (*place, key))]


def _deep(levels: int) -> Any:
    value: Any = 0
    for _ in range(levels):
        value = [value]
    return value


def _changed(lines: Lines, draw: random.Random) -> Lines:
    """Return a journal with one thing in it that no run writes there."""
    lines = copy.deepcopy(lines)
    kind = draw.choice(sorted({line["kind"] for line in lines}))
    number = draw.choice([n for n, line in enumerate(lines) if line["kind"] == kind])
    entry = lines[number]
    *way, last = draw.choice(_places(entry))
    held: Any = entry
    for key in way:
        held = held[key]
    changes: list[Callable[[], Any]] = [
        *[lambda: held.__setitem__(last, draw.choice(ODD))] * 6,
        lambda: held.__delitem__(last),
        lambda: held.__setitem__(last, _deep(draw.choice([100, 900]))),
        lambda: lines.insert(draw.randrange(len(lines)), lines.pop(number)),
        lambda: lines.insert(number, entry),
        lambda: lines.insert(draw.randrange(1, len(lines)), lines[0]),
        lambda: entry.update(kind=draw.choice(["odd", "\ud800", "run ended"])),
        lambda: lines.__delitem__(slice(number + 1, None)),
        lambda: entry.update({draw.choice(["odd", "\ud800", "slot"]): draw.choice(ODD)}),
    ]
    draw.choice(changes)()
    return lines


def _code(arguments: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> int:
    """Return the exit code of a command line in this process."""
    monkeypatch.setattr(sys, "argv", ["hilseq", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


AllTell: TypeAlias = Callable[[object], None]


@pytest.fixture
def all_tell(runs: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> AllTell:
    """Give the folder `run` to every command that reads one: each ends with a code of its own and no traceback."""

    def ask(why: object) -> None:
        monkeypatch.chdir(runs)
        for name, (arguments, codes) in COMMANDS.items():
            code = _code(arguments, monkeypatch)
            said = capfd.readouterr()
            assert code in codes, (name, code, why, said.err)
            assert "Traceback" not in said.out + said.err, (name, why)

    return ask


@pytest.mark.parametrize("seed", range(4))
def test_a_journal_written_anew_is_reported(seed: int, served: Any, runs: Path, all_tell: AllTell) -> None:
    draw = random.Random(seed)
    source = draw.choice(sorted(one for one in DATA.iterdir() if one.is_dir()))
    run = Path(shutil.copytree(source, runs / "run"))
    _write(run / "journal.jsonl", _changed(_lines(source / "journal.jsonl"), draw))
    all_tell((seed, source.name))
    for path in ("/", "/runs/run", "/runs/run/report/1"):
        assert served.ask(path)[0] in {200, 404}, (seed, path)


def _without_inputs(header: dict[str, Any]) -> None:
    header["inputs"] = []


def _one_sequence_less(header: dict[str, Any]) -> None:
    header["options"]["sequences"] = header["options"]["sequences"] + ["one more.py"]


def _text_of_no_encoding(header: dict[str, Any]) -> None:
    digest = hashlib.sha256("\ud800".encode("utf-8", "surrogatepass")).hexdigest()
    header["inputs"][0] |= {"text": "\ud800", "sha256": digest}


def _name_of_no_file(header: dict[str, Any]) -> None:
    header["inputs"][0]["name"] = "\ud800.yaml"


def _sequences_of_no_file(header: dict[str, Any]) -> None:
    header["options"]["sequences"] = ["a\0b", "\ud800"]
    header["inputs"] += [{"role": "sequence", "name": name, "sha256": "0", "text": ""} for name in ("a", "b")]


@pytest.mark.parametrize("date", ["0001-01-01T00:00:00+00:00", "9999-12-31T23:59:59-23:59"])
@pytest.mark.parametrize("number", [0, -1])
def test_a_date_of_no_run_is_reported(
    number: int, date: str, served: Any, write_whole: Callable[..., Path], all_tell: AllTell
) -> None:
    journal = write_whole("run") / "journal.jsonl"
    lines = _lines(journal)
    lines[number]["at"] = date
    _write(journal, lines)
    all_tell((number, date))
    assert served.ask("/runs/run")[0] == served.ask("/")[0] == 200


@pytest.mark.parametrize(
    "change",
    [_without_inputs, _one_sequence_less, _text_of_no_encoding, _name_of_no_file, _sequences_of_no_file],
)
def test_what_no_run_was_given_is_not_resumed(
    change: Callable[[dict[str, Any]], None], write_whole: Callable[..., Path], all_tell: AllTell
) -> None:
    from hilseq.journal.entries import InputFile, RunOptions

    given = [
        InputFile(role=role, name=name, sha256=hashlib.sha256(b"").hexdigest(), text="")
        for role, name in (
            ("stand file", "s.yaml"),
            ("profile of slot A", "u.yaml"),
            ("sequence", "test_s.py"),
        )
    ]
    journal = write_whole("run", inputs=given, options=RunOptions(sequences=("test_s.py",))) / "journal.jsonl"
    lines = _lines(journal)
    change(lines[0])
    _write(journal, lines)
    all_tell(change.__name__)


@pytest.mark.parametrize("content", [b"", b"\0" * 999, bytes(range(256)) * 4])
def test_a_file_that_is_no_journal_is_reported(
    content: bytes, served: Any, runs: Path, all_tell: AllTell
) -> None:
    (runs / "run").mkdir()
    (runs / "run" / "journal.jsonl").write_bytes(content)
    all_tell(content[:9])
    assert served.ask("/runs/run")[0] == served.ask("/")[0] == 200
