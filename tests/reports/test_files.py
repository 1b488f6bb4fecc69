"""What a run leaves in its folder: names that cannot collide, files that are whole."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilseq.errors import UsageError
from hilseq.reports import write
from hilseq.reports.files import file_stem, file_stems, write_file
from tests.journals import append_raw


def test_an_ordinary_serial_is_its_own_name() -> None:
    assert file_stem("RH-0001.b_2") == "RH-0001.b_2"


@pytest.mark.parametrize(
    "serial", ["../../etc/passwd", "a/b", "a\0b", "", "..", "con\n", "é", "x" * 500, "\ud800"]
)
def test_any_other_serial_becomes_a_harmless_name_with_a_mark(serial: str) -> None:
    stem = file_stem(serial)
    assert "~" in stem
    assert set(stem) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-._~")
    assert not stem.startswith(".")
    assert len(stem) <= 81


@given(st.lists(st.text(max_size=6), min_size=1, max_size=8))
def test_no_two_units_of_a_run_share_a_name(serials: list[str]) -> None:
    stems = file_stems((f"slot {number}", serial) for number, serial in enumerate(serials))
    assert len({stem.casefold() for stem in stems.values()}) == len(serials)


def test_serials_that_differ_in_case_only_get_two_files() -> None:
    stems = file_stems([("A", "rh1"), ("B", "RH1"), ("C", "other")])
    assert len({stem.casefold() for stem in stems.values()}) == 3
    assert stems["C"] == "other"


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_file(tmp_path / "deep" / "file", b"old")

    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", refuse)
    with pytest.raises(OSError, match="No space left"):
        write_file(path, b"new")
    assert path.read_bytes() == b"old"
    assert [file.name for file in path.parent.iterdir()] == ["file"]


def test_a_run_leaves_a_summary_and_a_page_per_unit(
    tmp_path: Path, story: Callable[..., Any], a_unit: Callable[..., dict[str, Any]]
) -> None:
    reported = story(units=[a_unit(slot="A", serial="RH0001"), a_unit(slot="B", serial="a/b")])
    reported.check("The output follows", slot="A")
    reported.check("The output follows", slot="B", verdict="failed", why="it does not", place="q01")
    folder = reported.end(1)
    record = write.write_reports(folder)
    assert record.exit_code == 1
    assert len(list(folder.glob("report-*.html"))) == 2
    assert (folder / "report-RH0001.html").exists()
    summary = json.loads((folder / "summary.json").read_text())
    assert [unit["disposition"] for unit in summary["units"]] == ["ship", "repair"]
    assert summary["complete"] is True
    assert summary["exit_code"] == 1
    assert summary["units"][1]["findings"][0]["place"] == "q01"
    write.write_reports(folder, tmp_path / "elsewhere")
    for name in ("summary.json", "report-RH0001.html"):
        assert (tmp_path / "elsewhere" / name).read_bytes() == (folder / name).read_bytes()


def test_the_summary_of_a_truncated_run_does_not_say_ship(good: Path) -> None:
    journal = good / "journal.jsonl"
    journal.write_bytes(b"".join(journal.read_bytes().splitlines(keepends=True)[:-1]))
    write.write_reports(good)
    summary = json.loads((good / "summary.json").read_text())
    assert summary["complete"] is False
    assert summary["exit_code"] == 3
    assert summary["units"][0]["disposition"] == "incomplete"


def test_a_journal_by_other_means_is_refused_in_words(tmp_path: Path) -> None:
    append_raw(tmp_path, {"kind": "run started", "run": "r"})
    with pytest.raises(ValueError, match="an entry that no run writes"):
        write.write_reports(tmp_path)
    with pytest.raises(UsageError, match="holds no journal"):
        write.write_reports(tmp_path / "nowhere")
