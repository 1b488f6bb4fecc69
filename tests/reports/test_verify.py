"""`verify`: genuine files pass, and every manipulation of file or journal is found and located."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.errors import UsageError
from hilseq.journal.chain import GENESIS, seal
from hilseq.journal.entries import CheckEnded
from hilseq.journal.reader import read_journal, run_state
from hilseq.plugin.other_runs import part_of
from hilseq.reports import write
from hilseq.reports.files import write_file
from hilseq.reports.verify import VerifyOutcome, as_json, verify
from hilseq.verdicts import CheckVerdict
from tests.journals import prior_run

pytest.importorskip("typst", reason="the extra hilseq[certificate] is not installed")
pytest.importorskip("segno", reason="the extra hilseq[certificate] is not installed")

FILES = [
    "summary.json",
    "report-RH0001.html",
    "repair-slip-RH0001.pdf",
    "label-RH0001.svg",
    "label-RH0001.pdf",
]


def _all_files(folder: Path) -> Path:
    record = write.write_reports(folder)
    write.write_certificates(record, folder)
    write.write_labels(record, folder)
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, make_bad: Callable[..., Path]) -> Path:
    return _all_files(make_bad(tmp_path_factory.mktemp("made") / "bad"))


@pytest.fixture(scope="module")
def other(tmp_path_factory: pytest.TempPathFactory, make_good: Callable[..., Path]) -> Path:
    return _all_files(make_good(tmp_path_factory.mktemp("made") / "other"))


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    """Return a copy of a run with all its files, to be spoilt."""
    return Path(shutil.copytree(made, tmp_path / "run"))


@pytest.mark.parametrize("name", FILES)
def test_what_the_journal_makes_is_genuine(run: Path, name: str) -> None:
    result = verify(run / name, run)
    assert result.outcome is VerifyOutcome.MATCHES, result.reported
    assert result.reported.startswith(f"{name} matches this journal: it is the ")
    assert as_json(result)["matches"] is True


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9, 0.999])
def test_a_changed_byte_anywhere_in_a_file_is_found(run: Path, name: str, share: float) -> None:
    content = bytearray((run / name).read_bytes())
    content[int(share * len(content))] ^= 1
    (run / name).write_bytes(content)
    assert verify(run / name, run).outcome is not VerifyOutcome.MATCHES


@pytest.mark.parametrize(
    ("name", "old", "new", "where"),
    [
        ("summary.json", b'"repair"', b'"ship"', "line 16, column 23"),
        ("report-RH0001.html", b"2.31 V", b"0.31 V", "drop is 0.31 V"),
        ("report-RH0001.html", b"</main>", b"</main><p>ship</p>", "line "),
    ],
)
def test_a_change_is_reported_with_its_place(
    run: Path, name: str, old: bytes, new: bytes, where: str
) -> None:
    content = (run / name).read_bytes()
    assert old in content
    (run / name).write_bytes(content.replace(old, new, 1))
    result = verify(run / name, run)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert "changed after it was made" in result.reported
    assert where in result.reported


@pytest.mark.parametrize("name", FILES)
def test_a_file_cut_short_or_added_to_is_found(run: Path, name: str) -> None:
    content = (run / name).read_bytes()
    for changed in (content[:-1], content + b" ", content + b"\n%%EOF\n"):
        (run / name).write_bytes(changed)
        assert verify(run / name, run).outcome is VerifyOutcome.DOES_NOT_MATCH


@pytest.mark.parametrize("name", FILES)
def test_the_file_of_another_run_is_not_genuine(run: Path, other: Path, name: str) -> None:
    result = verify(other / name.replace("repair-slip", "certificate"), run)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert "another journal" in result.reported


@pytest.mark.parametrize("name", FILES)
def test_a_changed_journal_is_found_and_its_line_named(run: Path, name: str) -> None:
    journal = run / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    at = next(number for number, line in enumerate(lines) if b"2.31" in line)
    lines[at] = lines[at].replace(b"2.31", b"0.31")
    journal.write_bytes(b"".join(lines))
    result = verify(run / name, run)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert f"line {at + 1} was changed" in result.reported


@pytest.mark.parametrize("name", FILES)
def test_a_journal_rewritten_from_end_to_end_no_longer_fits_the_file(run: Path, name: str) -> None:
    """A forger who recomputes the whole chain cannot recompute what was handed out."""
    journal = read_journal(run)
    lines, chain = [], GENESIS
    for number, entry in enumerate(journal.entries):
        passed = {"verdict": CheckVerdict.PASSED, "why": ""}
        forged = entry.model_copy(update=passed) if isinstance(entry, CheckEnded) else entry
        line, chain = seal(number, forged.model_dump(), chain)
        lines.append(line)
    journal.path.write_bytes(b"".join(lines))
    assert read_journal(run).broken == ""
    result = verify(run / name, run)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert "the journal contradicts itself" in result.reported
    assert "has passed, and its reading time to ready marginal" in result.reported


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("cut", ["line", "byte"])
def test_a_journal_cut_short_no_longer_fits_the_file(run: Path, name: str, cut: str) -> None:
    journal = run / "journal.jsonl"
    content = journal.read_bytes()
    journal.write_bytes(content[:-1] if cut == "byte" else content[: content[:-1].rindex(b"\n") + 1])
    result = verify(run / name, run)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert result.reported.startswith("not whole: ")


def test_a_page_of_another_version_cannot_be_reported(run: Path) -> None:
    page = run / "report-RH0001.html"
    made = page.read_bytes()
    version = made.split(b'name="generator" content="')[1].split(b'"')[0]
    page.write_bytes(made.replace(version, b"hilseq 99.0"))
    result = verify(page, run)
    assert result.outcome is VerifyOutcome.CANNOT_TELL
    assert "made by hilseq 99.0" in result.reported
    assert "verify with that version" in result.reported


def test_a_page_with_earlier_runs_is_genuine_and_the_list_said_not_to_be_covered(bad: Path) -> None:
    before = prior_run(findings=("q05: </script>",))
    write.write_reports(bad, earlier={"RH0001": [before]})
    result = verify(bad / "report-RH0001.html", bad)
    assert result.outcome is VerifyOutcome.MATCHES
    assert "earlier runs comes from the records and is not covered" in result.reported


@pytest.mark.parametrize(
    "block", ["{", "[1]", '[{"run": 1}]', "[" * 100_000, '[{"run":"<"}]', '[{"findings":[]}]', "null", "5"]
)
def test_a_forged_list_of_earlier_runs_is_a_forged_page(run: Path, block: str) -> None:
    page = run / "report-RH0001.html"
    content = page.read_text()
    page.write_text(content.replace('id="earlier-runs">[]<', f'id="earlier-runs">{block}<'))
    assert verify(page, run).outcome is VerifyOutcome.DOES_NOT_MATCH


def test_several_units_are_distinguished(
    tmp_path: Path, story: Callable[..., Any], a_unit: Callable[..., dict[str, Any]]
) -> None:
    reported = story(units=[a_unit(slot="A", serial="ONE"), a_unit(slot="B", serial="TWO")])
    reported.check("A check", slot="A")
    reported.check("A check", slot="B")
    folder = _all_files(reported.end())
    for serial in ("ONE", "TWO"):
        for name in ("report-{}.html", "certificate-{}.pdf", "label-{}.svg"):
            result = verify(folder / name.format(serial), folder)
            assert (result.outcome, result.kind.split()[-1]) == (VerifyOutcome.MATCHES, serial)
    renamed = write_file(tmp_path / "report-ONE.html", (folder / "report-TWO.html").read_bytes())
    assert verify(renamed, folder).kind == "report of TWO"


def test_the_journal_itself_can_be_verified(run: Path) -> None:
    journal = run / "journal.jsonl"
    assert "sound from its first line to its last" in verify(journal, run).reported
    content = journal.read_bytes()
    journal.write_bytes(content[:-5])
    assert "torn last line" in verify(journal, run).reported
    journal.write_bytes(content[: content[:-1].rindex(b"\n") + 1])
    assert "it has no end" in verify(journal, run).reported
    journal.write_bytes(content + content[:100] + b"\n")
    assert verify(journal, run).outcome is VerifyOutcome.DOES_NOT_MATCH


def test_the_journal_of_another_run_is_not_this_one(run: Path, other: Path) -> None:
    """Sound as it is, and named as any journal is: it is not the one in the folder."""
    assert verify(other / "journal.jsonl", other).outcome is VerifyOutcome.MATCHES
    assert verify(other / "journal.jsonl", run).outcome is VerifyOutcome.DOES_NOT_MATCH


def test_what_is_larger_than_anything_of_ours_is_not_read(run: Path, tmp_path: Path) -> None:
    """A disk image by mistake: said at once, and not taken into memory."""
    image = tmp_path / "image.pdf"
    with image.open("wb") as file:
        file.truncate(200_000_001)
    with pytest.raises(UsageError, match="is larger than anything hilseq makes"):
        verify(image, run)


def test_what_is_no_file_of_ours_is_a_usage_error(run: Path, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("Dear customer")
    with pytest.raises(UsageError, match="is no report, certificate, label or summary"):
        verify(tmp_path / "letter.txt", run)
    with pytest.raises(UsageError, match="cannot be read: No such file"):
        verify(tmp_path / "nothing.pdf", run)
    with pytest.raises(UsageError, match="holds no journal"):
        verify(run / "summary.json", tmp_path)


def test_what_is_no_plain_file_is_not_waited_for(run: Path) -> None:
    """A pipe that nobody writes into, in the place of a report, the signatures, or the journal of a neighbour."""
    beside = run.parent / "beside"
    beside.mkdir()
    signatures = run / "signatures.jsonl"
    signatures.unlink(missing_ok=True)
    for path in (run / "page.html", signatures, beside / "journal.jsonl"):
        os.mkfifo(path)
    with pytest.raises(UsageError, match="no plain file"):
        verify(run / "page.html", run)
    assert verify(run / "journal.jsonl", run).outcome is VerifyOutcome.MATCHES
    assert part_of(run.parent, "nobody's") == ""


def test_a_page_of_somebody_else_is_not_genuine_and_said_to_carry_no_code(run: Path, tmp_path: Path) -> None:
    (tmp_path / "other.html").write_text("<!DOCTYPE html>\n<title>SHIP</title>")
    result = verify(tmp_path / "other.html", run)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert "carries no verification code" in result.reported


def test_a_journal_that_tells_no_run_is_not_genuine(run: Path, tmp_path: Path) -> None:
    line, _ = seal(0, {"kind": "event", "what": "safe state", "text": ""}, GENESIS)
    (tmp_path / "journal.jsonl").write_bytes(line)
    result = verify(run / "summary.json", tmp_path)
    assert result.outcome is VerifyOutcome.DOES_NOT_MATCH
    assert "does not begin with a run" in result.reported


def test_the_answer_for_programs_names_the_chain(run: Path) -> None:
    answer = as_json(verify(run / "summary.json", run))
    assert answer["chain"] == run_state(read_journal(run)).chain
    assert json.loads(json.dumps(answer)) == answer
