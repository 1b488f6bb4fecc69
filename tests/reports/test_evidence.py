"""The samples behind a verdict: damaged, swapped or gone, everything that tells of the run says so."""

from __future__ import annotations

import html
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.samples import SampleWriter, read_samples
from hilseq.journal.seals import broken_seals
from hilseq.reports.verify import VerifyOutcome, verify
from hilseq.reports.write import write_reports
from tests import warm
from tests.journals import soak_ended, soak_started

_FILE = "samples-A.bin"


def _one_more(content: bytes) -> bytes:
    head, _, _ = content.partition(b"\n")
    return content + content[-(8 + 4 * len(json.loads(head)["columns"]) + 4) :]


#: What happened to the file, and what is said of it.
DAMAGE: list[tuple[Callable[[bytes], bytes | None], str]] = [
    (lambda b: b[:-10], "is damaged: only 1199 of the 1200 samples that the journal has sealed can be read"),
    (
        lambda b: b[: len(b) // 2] + bytes([b[len(b) // 2] ^ 255]) + b[len(b) // 2 + 1 :],
        "of the 1200 samples that the journal has sealed can be read",
    ),
    (lambda _: b"", "is no sample file of hilseq: it was damaged or replaced"),
    (lambda _: b'{"columns": 7}\n', "is no sample file of hilseq: it was damaged or replaced"),
    (lambda _: None, "is not there, which holds the samples of this soak"),
    (_one_more, "continues after the last of the 1200 samples that the soak took"),
]


def _soaked(story: Any) -> Path:
    """Write a run whose unit shipped after a soak of 20 min, and its reports."""
    story.check("The unit draws what a healthy one draws")
    zero = story.clock.now()
    story.note(soak_started("A", 1200.0, zero))
    samples = SampleWriter(story.folder / _FILE, ["supply current", "unit mode"])
    for second in range(1200):
        samples.append(zero + second, [0.1, 2.0])
    story.clock.sleep(1200.0)
    story.note(samples.seal("A", {}))
    story.note(soak_ended("A", since=1200.0, samples=1200, why="its time was up"))
    samples.close()
    folder = Path(story.end(0))
    write_reports(folder)
    return folder


def _broken_seals(folder: Path) -> dict[str, str]:
    return broken_seals(run_state(read_journal(folder)), folder)


@pytest.fixture
def run(story: Callable[..., Any]) -> Path:
    """A run whose unit shipped after its soak, to be spoilt."""
    return _soaked(story())


def _spoil(run: Path, change: Callable[[bytes], bytes | None]) -> None:
    content = change((run / _FILE).read_bytes())
    if content is None:
        (run / _FILE).unlink()
    else:
        (run / _FILE).write_bytes(content)


def _words(page: Path) -> str:
    return html.unescape(re.sub(r"<[^>]*>", "", page.read_text(encoding="utf-8")))


def test_a_sound_soak_is_reported_without_a_caution(run: Path) -> None:
    """The seals fit: nothing is wrong, and the files are genuine."""
    assert _broken_seals(run) == {}
    summary = json.loads((run / "summary.json").read_bytes())
    assert (summary["complete"], summary["units"][0]["disposition"]) == (True, "ship")
    assert summary["units"][0]["cautions"] == []
    (page,) = run.glob("report-*.html")
    assert "none was missed" in _words(page)
    for file in (run / "journal.jsonl", run / "summary.json", page):
        assert verify(file, run).outcome is VerifyOutcome.MATCHES


@pytest.mark.parametrize(("change", "reported"), DAMAGE)
def test_damaged_samples_release_nothing(
    run: Path, change: Callable[[bytes], bytes | None], reported: str
) -> None:
    """`verify` says 1 and names the file; the summary is not complete, the unit does not ship, the page warns."""
    _spoil(run, change)
    (page,) = run.glob("report-*.html")
    for file in (run / "journal.jsonl", run / "summary.json", page):
        result = verify(file, run)
        assert (result.outcome, result.kind, result.where) == (VerifyOutcome.DOES_NOT_MATCH, "samples", _FILE)
        assert f"{_FILE} " in result.reported
        assert reported in result.reported
    done = warm.hilseq("report", str(run), cwd=run.parent)
    assert done.returncode == 0
    assert reported in done.stderr
    summary = json.loads((run / "summary.json").read_bytes())
    (unit,) = summary["units"]
    assert (summary["complete"], summary["exit_code"], unit["disposition"]) == (False, 3, "incomplete")
    assert len(unit["cautions"]) == 1
    assert reported in unit["cautions"][0]
    said = _words(page)
    assert "The evidence of the soak is not whole" in said
    assert "none was missed" not in said
    assert "Nothing failed in 1 check. The samples of its soak are damaged or missing" in said
    assert verify(page, run).outcome is VerifyOutcome.DOES_NOT_MATCH
    seen = warm.hilseq("watch", "--once", str(run), cwd=run.parent)
    assert f"CAUTION: {_FILE}" in seen.stdout


def test_the_samples_of_another_run_are_not_these(run: Path, tmp_path: Path) -> None:
    """A sound file, of the same length, that another run took."""
    with_more_current = SampleWriter(tmp_path / _FILE, read_samples(run / _FILE).columns)
    for instant in read_samples(run / _FILE).times:
        with_more_current.append(float(instant), [0.2, 2.0])
    with_more_current.close()
    shutil.copy(tmp_path / _FILE, run / _FILE)
    assert len(read_samples(run / _FILE).times) == 1200
    assert "belongs to another run" in _broken_seals(run)["A"]


def test_what_was_sampled_after_the_last_seal_of_a_killed_run_is_no_damage(story: Callable[..., Any]) -> None:
    """A seal comes once in a while, a kill at any time: more samples than sealed are a torn end, not a change."""
    reported = story()
    reported.note(soak_started("A", 9.0))
    samples = SampleWriter(reported.folder / _FILE, ["supply current", "unit mode"])
    samples.append(0.0, [0.1, 2.0])
    reported.note(samples.seal("A", {}))
    samples.append(1.0, [0.1, 2.0])
    samples.close()
    assert _broken_seals(reported.stop()) == {}


def test_no_certificate_is_made_of_damaged_evidence(run: Path) -> None:
    _spoil(run, lambda _: None)
    done = warm.hilseq("report", str(run), "--certificate", cwd=run.parent)
    assert done.returncode == 2
    assert f" is not whole: {_FILE} is not there" in done.stderr


@pytest.mark.parametrize("change", [lambda _: b"\0", lambda b: b[:-100]])
def test_a_page_does_not_depend_on_how_its_folder_was_named(
    run: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[bytes], bytes | None]
) -> None:
    """Made by an absolute name and by a relative one, from damaged samples too: the same bytes, and no path."""
    _spoil(run, change)
    (page,) = run.glob("report-*.html")
    made = []
    monkeypatch.chdir(run.parent)
    for name in (str(run), run.name):
        assert warm.hilseq("report", name, cwd=run.parent).returncode == 0
        made.append(page.read_bytes())
    assert made[0] == made[1]
    assert str(run).encode() not in made[0]


def test_a_tail_behind_the_end_of_a_run_releases_nothing(run: Path) -> None:
    """Somebody, or a disk, wrote on after the last line: this is not the journal that the run left."""
    with (run / "journal.jsonl").open("ab") as file:
        file.write(b'{"n":')
    record = write_reports(run)
    summary = json.loads((run / "summary.json").read_bytes())
    assert (record.whole, summary["complete"]) == (False, False)
    assert (summary["exit_code"], summary["units"][0]["disposition"]) == (3, "incomplete")
