"""The pages over plain HTTP: what runs there are, how one stands, its report; complete without any script."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from hilseq.journal.entries import MadeSafe, RunEnded, RunResumed
from hilseq.reports.write import write_reports


class Words(HTMLParser):
    """The text of a page, and its links."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [str(value) for name, value in attrs if name == "href"]

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def said(self) -> str:
        return " ".join(" ".join(self.text).split())


def _said(answer: tuple[int, Any, str]) -> str:
    assert answer[0] == 200, answer
    return Words(answer[2]).said()


def test_an_empty_folder_says_how_to_fill_it(served: Any) -> None:
    assert "There is no run in" in _said(served.ask("/"))
    assert "hilseq demo" in _said(served.ask("/"))


def test_running_runs_come_first_and_a_broken_off_one_never_looks_complete(
    served: Any, begin: Callable[..., Any], write_whole: Callable[..., Path], age: Callable[..., None]
) -> None:
    """Of a run without an end no page says `ship` or `completed`, though every check in it passed."""
    write_whole("20261125-090000-RH-0007", serial="RH-0007")
    killed = begin("20261125-070000-RH-0005", serial="RH-0005")
    killed.kill()
    age(killed.folder)
    going = begin(serial="RH-0001")
    going.sample(5)
    said = _said(served.ask("/"))
    assert said.index("RH-0001") < said.index("Completed") < said.index("RH-0007")
    assert "RH16 RH-0007 ✓ ship ■ completed" in said
    assert "RH16 RH-0005 \u2013 incomplete … unfinished" in said
    page = _said(served.ask(f"/runs/{killed.folder.name}"))
    assert "unfinished did not end; no heartbeat since" in page
    assert "the unit may not ship" in page
    assert "The soak stopped" in page


def test_an_interrupted_run_says_so(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    story.end(3, interrupted=True)
    said = _said(served.ask(f"/runs/{story.folder.name}"))
    assert "interrupted the run was interrupted" in said
    assert "ship" not in said.replace("may not ship", "")


def test_a_run_taken_up_again_runs(served: Any, begin: Callable[..., Any]) -> None:
    """An end that was followed by a resume is no end."""
    story = begin()
    story.note(MadeSafe(verified=True, by="run"))
    story.note(RunEnded(exit_code=3, interrupted=True))
    story.note(RunResumed(torn=0, why="the run was interrupted", hilseq="0.1.0"))
    said = _said(served.ask(f"/runs/{story.folder.name}"))
    assert "running since 2026-11-25 08:00:00 UTC" in said


def test_a_run_that_the_guard_ended_is_unfinished_at_once(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    guard = story.clock.moment().replace(year=2027).isoformat()
    line = f'{{"kind":"made safe","at":"{guard}","reason":"the run has died"}}\n'
    (story.folder / "guard.jsonl").write_text(line)
    said = _said(served.ask(f"/runs/{story.folder.name}"))
    assert "unfinished broke off, and the guard switched off: the run has died" in said


def test_a_changed_journal_is_called_damaged(served: Any, write_whole: Callable[..., Path]) -> None:
    folder = write_whole("20261125-090000-RH-0007")
    path = folder / "journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"passed"', b'"failed"', 1))
    said = _said(served.ask(f"/runs/{folder.name}"))
    assert "damaged the journal cannot be trusted from here on: line" in said
    assert "✓ ship" not in said


def test_without_script_the_last_values_stand_in_a_table(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    story.sample(90)
    story.event("fault 0x21", "q05", "output overloaded")
    page = served.ask(f"/runs/{story.folder.name}")
    said = _said(page)
    assert "supply voltage 24.02 V 23.98 V 24.02 V 23 to 25 V" in said
    assert "unit mode live" in said
    assert "Time left" in said
    assert "58 min" not in said.partition("Time left")[0]
    assert "Time left 59 min until 2026-11-25 09:00:04 UTC" in said
    assert "Mode live" in said
    assert "A fault 0x21 slot A output overloaded (at q05, case 51.2 °C)" in said
    assert "1 event in the soak so far" in said
    assert page[2].count("<script") == page[2].count("<script src=")


def test_a_value_outside_its_limits_is_said_to_be(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    story.sample(1, **{"supply current": 0.5})
    assert "500.0 mA outside" in _said(served.ask(f"/runs/{story.folder.name}"))


def test_a_unit_that_does_not_answer_has_no_values(served: Any, begin: Callable[..., Any]) -> None:
    story = begin()
    story.sample(3)
    story.sample(1, mode=float("nan"), **{"unit temperature": float("nan")})
    said = _said(served.ask(f"/runs/{story.folder.name}"))
    assert "Mode no answer not as planned" in said
    assert "unit temperature \u2013 25.00 °C" in said


def test_a_run_below_another_folder_is_found(served: Any, write_whole: Callable[..., Path]) -> None:
    """The demo puts its runs into a folder of their own."""
    write_whole("20261125-demo/RH-000101", serial="RH-000101")
    page = Words(served.ask("/")[2])
    (link,) = [link for link in page.links if link.startswith("/runs/")]
    assert "RH-000101" in _said(served.ask(link))


def test_an_empty_journal_is_a_run_about_to_begin(served: Any, runs: Path) -> None:
    (runs / "new").mkdir()
    (runs / "new" / "journal.jsonl").touch()
    assert "has not written its first line yet" in _said(served.ask("/runs/new"))


def test_many_runs_come_on_pages(served: Any, write_whole: Callable[..., Path]) -> None:
    for number in range(53):
        write_whole(f"run-{number:02}", serial=f"RH-{number:02}")
    assert served.ask("/")[2].count('href="/runs/') == 50
    assert served.ask("/?page=2")[2].count('href="/runs/') == 3
    for odd in ("0", "-1", "9" * 30, "x", "%00", "٣"):
        assert served.ask(f"/?page={odd}")[0] == 200 if odd.isascii() else True


# -- reports ------------------------------------------------------------------------------------------------


def test_the_report_comes_from_the_run_in_a_box_of_its_own(
    served: Any, write_whole: Callable[..., Path]
) -> None:
    """Byte for byte what the run left; its policy admits its own style by hash and nothing else at all."""
    folder = write_whole("20261125-090000-RH-0007", serial="RH-0007")
    assert "Report" not in Words(served.ask(f"/runs/{folder.name}")[2]).said().partition("Stages")[2]
    write_reports(folder)
    link = f"/runs/{folder.name}/report/1"
    assert link in Words(served.ask(f"/runs/{folder.name}")[2]).links
    status, headers, body = served.ask(link)
    assert status == 200
    assert body == (folder / "report-RH-0007.html").read_text("utf-8")
    policy = headers["content-security-policy"]
    assert policy.startswith("sandbox allow-scripts; default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert "connect-src" not in policy
    assert "allow-same-origin" not in policy
    own = re.search(r"script-src ([^;]+);", body)
    assert own is not None
    assert f"script-src {own[1]};" in policy  # each script of the page, and no other


def test_a_report_that_is_a_link_elsewhere_is_none(
    served: Any, write_whole: Callable[..., Path], tmp_path: Path
) -> None:
    folder = write_whole("20261125-090000-RH-0007", serial="RH-0007")
    secret = tmp_path / "secret"
    secret.write_text("secret")
    (folder / "report-RH-0007.html").symlink_to(secret)
    status, _, body = served.ask(f"/runs/{folder.name}/report/1")
    assert (status, "secret" in body) == (404, False)


@pytest.mark.parametrize("number", ["0", "2", "99999999999999999999", "-1", "x", "1/..", "%31%00"])
def test_there_are_no_other_reports(served: Any, write_whole: Callable[..., Path], number: str) -> None:
    folder = write_whole("20261125-090000-RH-0007", serial="RH-0007")
    write_reports(folder)
    assert served.ask(f"/runs/{folder.name}/report/{number}")[0] == 404
