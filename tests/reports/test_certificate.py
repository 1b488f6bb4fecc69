"""Certificate and label: one page, the same bytes every time, only for a run that came to its end."""

from __future__ import annotations

import builtins
import hashlib
import io
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pypdf
import pytest

from hilseq.errors import UsageError
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import RunState
from hilseq.reports.formatting import short_code

pytest.importorskip("typst", reason="the extra hilseq[certificate] is not installed")
pytest.importorskip("segno", reason="the extra hilseq[certificate] is not installed")

from hilseq.reports.certificate import certificate, label, printable, two_dimensional_code


def _record(folder: Path) -> RunState:
    return run_state(read_journal(folder))


def _pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def _words(pdf: bytes) -> str:
    """Return the text of a PDF as another program reads it."""
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


MAKE = """
import hashlib, sys
from pathlib import Path
from hilseq.journal.reader import read_journal
from hilseq.reports.certificate import certificate
from hilseq.reports.certificate import label
from hilseq.journal.reader import run_state
run = run_state(read_journal(Path(sys.argv[1])))
unit = run.units[0]
for made in (certificate(run, unit), label(run, unit, "pdf"), label(run, unit, "svg")):
    print(hashlib.sha256(made).hexdigest())
"""


def test_two_processes_make_the_same_bytes(bad: Path) -> None:
    run = _record(bad)
    unit = run.units[0]
    here = [
        hashlib.sha256(made).hexdigest()
        for made in (certificate(run, unit), label(run, unit, "pdf"), label(run, unit, "svg"))
    ]
    for seed, zone in (("1", "UTC"), ("2", "Pacific/Auckland")):
        environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(sys.path),
            "PYTHONHASHSEED": seed,
            "TZ": zone,
        }
        command = [sys.executable, "-c", MAKE, str(bad)]
        there = subprocess.run(command, capture_output=True, text=True, check=True, env=environment, cwd="/")
        assert there.stdout.split() == here


def test_the_certificate_is_one_page_of_tagged_pdf_a_that_carries_its_code(good: Path) -> None:
    run = _record(good)
    pdf = certificate(run, run.units[0])
    assert _pages(pdf) == 1
    assert b"<pdfaid:part>2</pdfaid:part>" in pdf
    assert b"<pdfaid:conformance>A</pdfaid:conformance>" in pdf
    assert b"/StructTreeRoot" in pdf
    assert f"hilseq-journal-chain:{run.chain}".encode() in pdf
    words = _words(pdf)
    assert words.startswith("Test certificate SHIP")
    assert short_code(run.chain) in words
    assert run.chain in words
    assert "All 17 checks of the full set passed. The unit may ship." in words
    assert "Ombrella,PS-3203,77,1.0" in words


def test_a_unit_for_repair_gets_no_certificate_but_a_result_that_says_so(bad: Path) -> None:
    run = _record(bad)
    words = _words(certificate(run, run.units[0]))
    assert words.startswith("Test result REPAIR \u2013 not released")
    assert "Test certificate" not in words
    assert "q05: voltage drop is 2.31 V" in words


def test_a_simulated_run_gives_a_specimen(story: Callable[..., Any]) -> None:
    told = story(simulated=True)
    told.check("A check")
    run = _record(told.end())
    words = _words(certificate(run, run.units[0]))
    assert "no real unit was tested" in words
    assert "Specimen" in words
    assert "simulated, no real unit" in _words(label(run, run.units[0], "pdf"))


@pytest.mark.parametrize("how", ["killed", "interrupted", "changed", "unsafe"])
def test_an_unfinished_run_has_no_certificate_and_no_label(story: Callable[..., Any], how: str) -> None:
    told = story()
    told.check("A check")
    folder = told.end(interrupted=how == "interrupted", safe=how != "unsafe")
    journal = folder / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    if how == "killed":
        journal.write_bytes(b"".join(lines[:-1]))
    if how == "changed":
        journal.write_bytes(b"".join(lines).replace(b"A check", b"B check"))
    run = _record(folder)
    for make in (certificate, label):
        with pytest.raises(UsageError, match="no certificate: "):
            make(run, run.units[0])


def test_hostile_text_of_any_length_still_fits_on_one_page(story: Callable[..., Any]) -> None:
    evil = '#panic("owned") $x$ *b* <b> \x1b[2J \u202egnp 中文 \ud800 ' + "long" * 500
    unit = {"slot": "A", "serial": evil, "part": evil, "description": evil, "intake": {evil: evil, "b": evil}}
    told = story(run=evil, stand=evil, units=[unit])
    for number in range(20):
        told.instrument(name=f"{number}{evil}", what=evil, identity=evil, certificate=evil, due=evil)
        told.check(
            evil, stage=f"{number}{evil}", place=evil, verdict="failed", why=f"{number}{evil}", places=[evil]
        )
    run = _record(told.end(1))
    pdf = certificate(run, run.units[0])
    assert _pages(pdf) == 1
    words = _words(pdf)
    assert '#panic("owned")' in words
    assert "⟨ESC⟩" in words
    assert "and 17 more" in words.replace("and 16 more", "and 17 more")
    assert "7 more stages" in words
    assert _pages(label(run, run.units[0], "pdf")) == 1


def test_whatever_character_a_serial_holds_the_paper_can_show_it(story: Callable[..., Any]) -> None:
    told = story(units=[{"slot": "A", "serial": "äßŁΩЖ中\U0001f600ﷺ", "part": "P", "description": ""}])
    told.check("A check")
    run = _record(told.end())
    assert "äßŁΩЖ⟨U+4E2D⟩⟨U+1F600⟩⟨U+FDFA⟩" in _words(certificate(run, run.units[0]))


def test_printable_text_is_never_longer_than_asked() -> None:
    assert printable("中" * 50, 20) == "⟨U+4E2D⟩⟨U+4E2D⟩…"
    assert printable("x" * 50, 20) == "x" * 19 + "…"
    assert printable("short", 20) == "short"


def test_the_label_is_a_picture_without_fonts_or_requests(good: Path) -> None:
    run = _record(good)
    svg = label(run, run.units[0], "svg").decode()
    assert svg.startswith("<svg")
    assert "<text" not in svg
    assert "<script" not in svg
    assert "http://" not in svg.replace("http://www.w3.org/", "")
    words = _words(label(run, run.units[0], "pdf"))
    for part in ("SHIP", "RH0001", "2026-11-25", short_code(run.chain)):
        assert part in words


def test_the_code_is_drawn_without_a_size_of_its_own() -> None:
    drawing = two_dimensional_code("HILSEQ RH0001 " + "0" * 64)
    assert drawing.startswith("<svg")
    assert "<?xml" not in drawing


@pytest.mark.parametrize("missing", ["typst", "segno"])
def test_without_the_extra_a_message_says_how_to_get_it(
    good: Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    really = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name == missing:
            raise ImportError(name)
        return really(name, *rest)

    monkeypatch.setattr("importlib.import_module", without)
    run = _record(good)
    with pytest.raises(
        UsageError, match=rf'{missing}, which is not installed: pip install "hilseq\[certificate\]"'
    ):
        certificate(run, run.units[0])
