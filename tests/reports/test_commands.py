"""`hilseq report` and `hilseq verify` from the command line's side."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from hilseq.cli.report import make_reports, report_command
from hilseq.cli.verify import verify_command
from hilseq.errors import UsageError
from hilseq.reports.allure import build_allure, strip_tracking

app = typer.Typer()
app.command("report")(report_command)
app.command("verify")(verify_command)
RUNNER = CliRunner()


def test_report_writes_everything_asked_for_and_names_it(bad: Path, tmp_path: Path) -> None:
    pytest.importorskip("typst")
    pytest.importorskip("segno")
    out = tmp_path / "out"
    result = RUNNER.invoke(app, ["report", str(bad), "--out", str(out), "--certificate", "--label"])
    assert result.exit_code == 0
    named = [Path(line).name for line in result.stdout.splitlines()]
    assert named == [
        "summary.json",
        "report-RH0001.html",
        "repair-slip-RH0001.pdf",
        "label-RH0001.svg",
        "label-RH0001.pdf",
    ]
    assert sorted(file.name for file in out.iterdir()) == sorted(named)


def test_report_takes_the_journal_itself_and_answers_programs(bad: Path) -> None:
    result = RUNNER.invoke(app, ["report", str(bad / "journal.jsonl"), "--json"])
    assert [Path(name).name for name in json.loads(result.stdout)["files"]] == [
        "summary.json",
        "report-RH0001.html",
    ]


@pytest.mark.parametrize("command", ["report", "verify"])
def test_every_command_has_help_with_an_example(command: str) -> None:
    result = RUNNER.invoke(app, [command, "--help"])
    assert result.exit_code == 0
    assert f"Example: hilseq {command} " in " ".join(result.stdout.split())


def test_report_of_nothing_says_what_to_give(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="give the folder that `hilseq run` named at its end"):
        make_reports(tmp_path)


def test_report_into_a_place_that_cannot_be_written_is_said(bad: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="cannot be written"):
        make_reports(bad, tmp_path / "file" / "folder")


def test_report_of_a_journal_that_tells_no_run_is_a_usage_error(tmp_path: Path) -> None:
    (tmp_path / "journal.jsonl").touch()
    with pytest.raises(UsageError, match="does not begin with a run"):
        make_reports(tmp_path)


def test_verify_answers_with_its_exit_code(bad: Path) -> None:
    make_reports(bad)
    summary = bad / "summary.json"
    good = RUNNER.invoke(app, ["verify", str(summary), str(bad)])
    # Its stand file is invented, so that nothing could be held against it.
    assert (good.exit_code, " matches this journal" in good.stderr) == (2, True)
    summary.write_text(summary.read_text().replace("repair", "ship"))
    changed = RUNNER.invoke(app, ["verify", str(summary), str(bad)])
    assert changed.exit_code == 1
    assert "changed after it was made" in changed.stderr
    reported = RUNNER.invoke(app, ["verify", str(summary), str(bad), "--json"])
    assert json.loads(reported.stdout)["matches"] is False


def test_allure_without_results_or_generator_says_how_to_get_them(
    bad: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(UsageError, match="--alluredir"):
        build_allure(bad, bad)
    (bad / "allure-results").mkdir()
    (bad / "allure-results" / "x-result.json").write_text("{}")
    monkeypatch.setenv("PATH", "/nonexistent")
    with pytest.raises(UsageError, match="npm install -g allure"):
        build_allure(bad, bad)


FAKE = """#!/bin/sh
[ "$1" = awesome ] && [ "$2" = --single-file ] && [ "$3" = --output ] || exit 9
mkdir -p "$4" && {body}
"""


@pytest.fixture
def generator(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Put a stand-in for the generator on the PATH."""

    def put(body: str) -> None:
        tool = tmp_path / "bin" / "allure"
        tool.parent.mkdir()
        tool.write_text(FAKE.replace("{body}", body))
        tool.chmod(tool.stat().st_mode | stat.S_IXUSR)
        monkeypatch.setenv("PATH", f"{tool.parent}{os.pathsep}{os.environ['PATH']}")

    return put


def _with_results(run: Path) -> Path:
    (run / "allure-results").mkdir()
    (run / "allure-results" / "x-result.json").write_text("{}")
    return run


def test_allure_is_built_and_its_tracking_taken_out(bad: Path, generator: Any) -> None:
    generator(
        'echo \'<p>report</p><script async src="https://example.org/t.js"></script>\' > "$4/index.html"'
    )
    page = build_allure(_with_results(bad), bad)
    assert page.read_text() == "<p>report</p>\n"


def test_a_generator_that_fails_is_reported_in_its_own_words(bad: Path, generator: Any) -> None:
    generator("echo 'no \033[31mdisk' >&2 && exit 1")
    with pytest.raises(UsageError, match="the Allure generator failed: no ⟨ESC⟩"):
        build_allure(_with_results(bad), bad)


def test_a_generator_that_writes_nothing_is_reported(bad: Path, generator: Any) -> None:
    generator("true")
    with pytest.raises(UsageError, match="it wrote no page"):
        build_allure(_with_results(bad), bad)


@pytest.mark.parametrize(
    ("page", "stripped"),
    [
        ('<script async src="https://www.googletagmanager.com/gtag/js?id=G"></script>x', "x"),
        ("<script>\nfunction gtag(){dataLayer.push(arguments);}\ngtag('js', new Date());</script>x", "x"),
        ("<script src=//example.org/a.js></script >x", "x"),
        ('<script src="data:text/javascript;base64,AA"></script>x', None),
        ("<script>const tag = 1;</script><script>gtag('x')</script>y", "<script>const tag = 1;</script>y"),
    ],
)
def test_only_what_tracks_or_loads_from_elsewhere_is_stripped(page: str, stripped: str | None) -> None:
    assert strip_tracking(page) == (page if stripped is None else stripped)
