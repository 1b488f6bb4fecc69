"""Certificate and label: one page, the same bytes every time, only for a run that came to its end."""

from __future__ import annotations

import builtins
import hashlib
import io
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pypdf
import pypdfium2  # type: ignore[import-untyped]
import pytest

from hilseq.errors import UsageError
from hilseq.journal.entries import CertificateStated, InputFile, KnownCause
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import RunState
from hilseq.journal.seals import look_for_damage
from hilseq.reports.claims import coverage_statement, ledger, shortened
from hilseq.reports.formatting import short_code
from hilseq.reports.soak import soak_of
from tests.journals import plan_of

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


def test_the_certificate_is_two_pages_at_most_of_tagged_pdf_a_that_carries_its_code(good: Path) -> None:
    run = _record(good)
    pdf = certificate(run, run.units[0])
    assert _pages(pdf) <= 2
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
    assert words.startswith("Repair slip REPAIR \u2013 not released")
    assert "Test certificate" not in words
    assert "Released by" not in words
    assert "Repaired by: name and date" in words
    assert "q05: voltage drop is 2.31 V" in words


def test_a_simulated_run_gives_a_specimen(story: Callable[..., Any]) -> None:
    reported = story(simulated=True)
    reported.check("A check")
    run = _record(reported.end())
    words = _words(certificate(run, run.units[0]))
    assert "no real unit was tested" in words
    assert "Specimen" in words
    assert "simulated, no real unit" in _words(label(run, run.units[0], "pdf"))


@pytest.mark.parametrize("how", ["killed", "interrupted", "changed", "unsafe"])
def test_an_unfinished_run_has_no_certificate_and_no_label(story: Callable[..., Any], how: str) -> None:
    reported = story()
    reported.check("A check")
    folder = reported.end(interrupted=how == "interrupted", safe=how != "unsafe")
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


def test_every_claim_stands_on_the_certificate_with_its_domain(good: Path) -> None:
    """The ledger is not shortened: each sentence, and what its domain says beside the conditions that all share."""
    run = _record(good)
    unit = run.units[0]
    text = "".join(_words(certificate(run, unit)).split())
    shared, claims = shortened(ledger(unit).claims)
    assert claims
    for words in (shared, *(part for claim in claims for part in claim)):
        assert "".join(words[:100].split()) in text, words


def test_of_many_stages_those_at_the_end_of_the_visit_are_kept(story: Callable[..., Any]) -> None:
    """What is left out passed, and came first: a soak and a closing look are what a customer asks for."""
    reported = story()
    for number in range(16):
        reported.check(
            f"c{number}", stage=f"stage-{number:02}", verdict="failed" if number == 1 else "passed"
        )
    run = _record(reported.end(1))
    words = _words(certificate(run, run.units[0]))
    assert [number for number in range(16) if f"stage-{number:02}" in words] == [1, *range(4, 16)]
    assert "3 more stages" in words


def test_hostile_text_of_any_length_still_fits_on_two_pages(story: Callable[..., Any]) -> None:
    evil = '#panic("owned") $x$ *b* <b> \x1b[2J \u202egnp 中文 \ud800 ' + "long" * 500
    unit = {"slot": "A", "serial": evil, "part": evil, "description": evil, "intake": {evil: evil, "b": evil}}
    reported = story(run=evil, stand=evil, units=[unit])
    for number in range(20):
        reported.instrument(name=f"{number}{evil}", what=evil, identity=evil, certificate=evil, due=evil)
        reported.check(
            evil,
            stage=f"{number}{evil}",
            place=evil,
            verdict="failed",
            why=f"{number}{evil}",
            places=[f"{number}{evil}"],
        )
    run = _record(reported.end(1))
    pdf = certificate(run, run.units[0])
    assert _pages(pdf) <= 2
    words = _words(pdf)
    assert '#panic("owned")' in words
    assert "⟨ESC⟩" in words
    assert "and 17 more" in words.replace("and 16 more", "and 17 more")
    assert "7 more stages" in words
    assert _pages(label(run, run.units[0], "pdf")) == 1


def test_whatever_character_a_serial_holds_the_paper_can_show_it(story: Callable[..., Any]) -> None:
    reported = story(units=[{"slot": "A", "serial": "äßŁΩЖ中\U0001f600ﷺ", "part": "P", "description": ""}])
    reported.check("A check")
    run = _record(reported.end())
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
    with pytest.raises(UsageError, match=rf"needs {missing}: python -m pip install 'hilseq\[certificate\]'"):
        certificate(run, run.units[0])


JOURNALS = Path(__file__).parents[1] / "data" / "journals-v0"
KEY = {
    "key_readings": ("idle current", "clock drift"),
    "shop": "Muster Ltd.",
    "shop_address": "12 Example Street",
}
LOGO_SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 2"><rect width="4" height="2"/></svg>'


def _sold(make_good: Callable[..., Path], folder: Path, **fields: Any) -> RunState:
    """Return a good run whose intake, shop and certificate say everything that they can."""
    intake = {
        "work-order": "WO-4711",
        "customer": "Sample Mill",
        "address": "1 Mill Lane",
        "RMA number": "77-1",
    }
    unit = {"slot": "A", "serial": "RH0001", "part": "RH16", "description": "head", "intake": intake}
    run = _record(make_good(folder, units=[unit]))
    run.units[0].paper = CertificateStated(slot="A", **(KEY | fields))
    return run


def test_the_certificate_says_whose_unit_it_is_and_what_it_was_measured_by(
    make_good: Callable[..., Path], tmp_path: Path
) -> None:
    """Number of its own, customer, work order and the shop's own fields with their labels, plan, profile, readings."""
    run = _sold(make_good, tmp_path / "run")
    words = _words(certificate(run, run.units[0]))
    for said in (
        "Muster Ltd. 12 Example Street", f"Number 20261125-{run.chain[:8].upper()}-1", "Customer Sample Mill",
        "Address 1 Mill Lane", "Work order WO-4711", "RMA number 77-1",
        f"Test plan revision 3 ({plan_of().identity[:16]})",
        "Profile unit.yaml", "idle current 108.3 mA ± 1.2 mA 85 to 135 mA conforms", "not measured",
        "no check of this run judged it",
        "Risk of the customer", "Risk of the shop", "Released by: name, date and signature",
    ):  # fmt: skip
        assert said in words, said


def test_waivers_stand_on_the_certificate_with_who_waived(
    make_good: Callable[..., Path], tmp_path: Path
) -> None:
    run = _sold(
        make_good, tmp_path / "run", waived=("ride-through, where this stand cannot tell: slow supply",)
    )
    words = _words(certificate(run, run.units[0]))
    reported = "ride-through, where this stand cannot tell: slow supply (by M. Frei with the approved plan)"
    assert f"Waived {reported}" in words
    assert coverage_statement(run.units[0]).waived == reported
    run.units[0].plan = None
    assert coverage_statement(run.units[0]).waived.endswith("(no approved plan)")


def test_the_label_of_the_customer_is_another_than_that_of_the_shelf(
    make_good: Callable[..., Path], bad: Path, tmp_path: Path
) -> None:
    run = _sold(make_good, tmp_path / "run")
    shelf, customer = (_words(label(run, run.units[0], "pdf", customer=of)) for of in (False, True))
    assert "SHIP" in shelf
    assert "SHIP" not in customer
    assert f"Certificate 20261125-{run.chain[:8].upper()}-1" in customer
    failed = _record(bad)
    with pytest.raises(UsageError, match="no label for its customer"):
        label(failed, failed.units[0], customer=True)


def test_a_template_of_ones_own_gets_the_same_data_and_no_file(
    make_good: Callable[..., Path], tmp_path: Path
) -> None:
    """The PDF says by its hash that it was another template; a file of this computer cannot get into it."""
    run = _sold(make_good, tmp_path / "run")
    head = b"#let d = json(bytes(sys.inputs.data))\n#set document(title: d.title, keywords: d.keywords)\n"
    own = head + b"Ours: #d.serial #d.number"
    pdf = certificate(run, run.units[0], template=own)
    assert f"hilseq-template:{hashlib.sha256(own).hexdigest()}".encode() in pdf
    assert _words(pdf).startswith("Ours: RH0001 20261125-")
    for wrong in (head + b'#read("/etc/passwd")', head + b'#import "@preview/x:1.0.0": *', b"#nothing"):
        with pytest.raises(UsageError, match="the template cannot be set"):
            certificate(run, run.units[0], template=wrong)
    with pytest.raises(UsageError, match="more than 2 pages"):
        certificate(run, run.units[0], template=head + b"#for n in range(3) [x #pagebreak()]")


def test_the_logo_is_drawn_and_fetches_nothing(make_good: Callable[..., Path], tmp_path: Path) -> None:
    run = _sold(make_good, tmp_path / "run")
    plain = certificate(run, run.units[0])
    for text in (LOGO_SVG, LOGO_SVG.replace("<rect", '<image href="file:///etc/passwd" width="4"/><rect')):
        logo = InputFile(
            role="logo", name="logo.svg", sha256=hashlib.sha256(text.encode()).hexdigest(), text=text
        )
        run.header = run.header.model_copy(update={"inputs": (*run.header.inputs, logo)})
        assert certificate(run, run.units[0]) != plain


def test_the_slip_of_a_unit_for_repair_says_what_to_look_at(bad: Path) -> None:
    run = _record(bad)
    known = KnownCause(name="output driver", action="replace it", places=("q05",), repaired=9, cured=7)
    run.units[0].known_causes = (
        known,
        KnownCause(name="fuse", action="measure it", places=("q05",), repaired=2),
    )
    words = _words(certificate(run, run.units[0]))
    assert "output driver: replace it (would explain q05); in the records it cured 7 of 9 units" in words
    assert "fuse: measure it (would explain q05)" in words, "of two repaired units nothing is reported"


def test_a_soak_is_shown_with_the_curve_of_its_temperature(tmp_path: Path) -> None:
    """Samples, hours and the name of the curve stand there; without its samples there is no curve."""
    folder = Path(shutil.copytree(JOURNALS / "soak", tmp_path / "soak"))
    run = look_for_damage(_record(folder), folder)
    unit = run.units[0]
    soak = soak_of(folder, run, unit)
    assert soak is not None
    words = _words(certificate(run, unit, soak))
    assert f"{soak.samples} samples" in words
    assert "case temperature, °C" in words
    assert "case temperature, °C" not in _words(certificate(run, unit))


def test_on_the_page_nothing_lies_over_the_edge_or_over_something_else(
    make_good: Callable[..., Path], tmp_path: Path
) -> None:
    """Checked as a picture: white margins all around, ink inside, and no page that is empty."""
    run = _sold(make_good, tmp_path / "run")
    pages = pypdfium2.PdfDocument(certificate(run, run.units[0]))
    assert 1 <= len(pages) <= 2
    for page in pages:
        ink = page.render(scale=1.0, grayscale=True).to_numpy() < 128
        height, width = ink.shape
        edge = ink.copy()
        edge[20 : height - 20, 40 : width - 40] = False
        assert not edge.any()
        assert ink.mean() > 0.005
