"""The operator on a pair of pipes: answers, wrong answers, time-outs and a closed input."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from hilseq.clock import WallClock, nothing
from hilseq.errors import NotPerformed
from hilseq.journal.entries import OperatorPrompt
from hilseq.plugin.intake import Lines, Person
from hilseq.procedures.operator import Nobody, Prompt


@dataclass
class Desk:
    """A person at the near end of two pipes, and what was noted."""

    person: Person
    keyboard: int
    screen: int
    noted: list[tuple[str, OperatorPrompt]]

    def type(self, text: str) -> None:
        """Type something."""
        os.write(self.keyboard, text.encode())

    def shown(self) -> str:
        """Return what stands on the screen."""
        return os.read(self.screen, 65536).decode()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """Give a person with a wall clock, attached."""
    source, keyboard = os.pipe()
    screen, target = os.pipe()
    noted: list[tuple[str, OperatorPrompt]] = []
    person = Person(source, target, tmp_path)
    person.name = "Ada"
    person.attach(WallClock(), lambda what, _, __, prompt: noted.append((what, prompt)))
    made = Desk(person, keyboard, screen, noted)
    yield made
    for handle in (source, screen, target, made.keyboard):
        if handle >= 0:
            os.close(handle)


def test_any_text_is_taken_where_none_is_expected(desk: Desk) -> None:
    """The line without its end, and an event before and after with who answered and how long it took."""
    desk.type("  scratched, but whole \r\n")
    assert desk.person.ask(Prompt("What is seen?", 5, slot="A")) == "scratched, but whole"
    assert [what for what, _ in desk.noted] == ["asked", "answered"]
    assert desk.noted[1][1].by == "Ada"
    assert desk.noted[1][1].answer == "scratched, but whole"
    assert desk.noted[1][1].seconds is not None
    assert 0 <= desk.noted[1][1].seconds < 5
    assert ">>> What is seen?" in desk.shown()


def test_two_lines_at_once_are_two_answers(desk: Desk) -> None:
    """What comes in one piece through a pipe is not lost between two questions."""
    desk.type("one\ntwo\n")
    assert desk.person.ask(Prompt("First?", 5)) == "one"
    assert desk.person.ask(Prompt("Second?", 5)) == "two"


@pytest.mark.parametrize(
    ("typed", "answer"),
    [
        ("healthy", "healthy"),
        ("HEALTHY", "healthy"),
        ("h", "healthy"),
        ("x\nd", "dark"),
        ("\nfaulted", "faulted"),
    ],
)
def test_expected_answers(desk: Desk, typed: str, answer: str) -> None:
    """Case does not matter, the beginning of one answer is enough, anything else is asked for again."""
    desk.type(typed + "\n")
    assert desk.person.ask(Prompt("The lamp?", 5, ("dark", "healthy", "faulted"))) == answer
    assert ("expected one of: dark, healthy, faulted" in desk.shown()) == ("\n" in typed)


def test_a_key_that_was_pressed_before_answers_nothing() -> None:
    """On a terminal; what a script has written into a pipe is kept."""
    terminal, keyboard = os.openpty()
    reader, writer = os.pipe()
    try:
        for typed, source in ((terminal, keyboard), (writer, reader)):
            lines = Lines(source)
            os.write(typed, b"too early\n")
            lines.forget_typed()
            os.write(typed, b"in time\n")
            assert lines.next(10.0, nothing) == ("in time" if source == keyboard else "too early")
    finally:
        for handle in (terminal, keyboard, reader, writer):
            os.close(handle)


def test_an_empty_line_is_done(desk: Desk) -> None:
    """Enter says that it is done; `cannot` makes the check not performed."""
    desk.type("\n")
    desk.person.act("Close the cover.", 5)
    desk.type("cannot\n")
    with pytest.raises(NotPerformed, match=r"could not do it: Close the cover\."):
        desk.person.act("Close the cover.", 5)


def test_a_time_out_is_kept_to(desk: Desk) -> None:
    """Nobody answers: not performed, noted, and not much later than promised. Half a line is no answer."""
    desk.type("half a li")
    with pytest.raises(NotPerformed, match=r"no answer within 0\.3 s"):
        desk.person.ask(Prompt("Anybody?", 0.3))
    assert desk.noted[-1][0] == "not answered"
    assert desk.noted[-1][1].answer is None
    desk.type("ne\n")
    assert desk.person.ask(Prompt("Again?", 5)) == "half a line"


def test_a_closed_input_is_nobody(desk: Desk) -> None:
    """The end of a pipe is noticed at once; a last line without its end is still an answer."""
    desk.type("last")
    os.close(desk.keyboard)
    desk.keyboard = -1
    assert desk.person.ask(Prompt("One?", 60)) == "last"
    with pytest.raises(NotPerformed, match="the input has ended"):
        desk.person.ask(Prompt("Two?", 60))


def test_a_picture_is_named_where_it_is(desk: Desk, tmp_path: Path) -> None:
    """A picture beside the stand file is shown by its path; one that is missing is said to be."""
    (tmp_path / "cover.png").write_bytes(b"png")
    desk.type("\n\n")
    desk.person.act("Close it.", 5, picture="cover.png")
    desk.person.act("Close it.", 5, picture="other.png")
    shown = desk.shown()
    assert f"picture: {tmp_path / 'cover.png'}\n" in shown
    assert "other.png (missing)" in shown


def test_hostile_questions_do_not_reach_the_terminal(desk: Desk) -> None:
    """Control characters of a stand file are made visible."""
    desk.type("\n")
    desk.person.act("Close\x1b[2J it.", 5)
    assert "\x1b" not in desk.shown()


def test_answers_before_the_journal_are_noted_in_it(tmp_path: Path) -> None:
    """What was asked at intake is handed on when the journal is there."""
    source, keyboard = os.pipe()
    target = os.open(os.devnull, os.O_WRONLY)
    person = Person(source, target, tmp_path)
    os.write(keyboard, b"Ada\n")
    person.ask(Prompt("Who is at the stand?", 5))
    noted: list[str] = []
    person.attach(WallClock(), lambda what, *_, **__: noted.append(what))
    for handle in (source, keyboard, target):
        os.close(handle)
    assert noted == ["asked", "answered"]


def test_nobody_is_there() -> None:
    """An unattended stand says what would have to be done."""
    with pytest.raises(NotPerformed, match=r"it needs an operator and none is there: Close it\."):
        Nobody().act("Close it.", 5)
