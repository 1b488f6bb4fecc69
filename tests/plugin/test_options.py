"""From options to slots: files, serial numbers, notes and intake files, with the message for each slip."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilseq.errors import DescriptionError, UsageError
from hilseq.plugin.intake import read_intake, read_notes
from hilseq.plugin.options import by_slot, serial_number, units_by_slot

TWO = ["A", "B"]


def test_values_by_slot() -> None:
    """`A=1,B=2`, repeated options, and a plain value on a stand with one slot."""
    assert by_slot(["A=1,B=2"], "--serial", TWO) == {"A": "1", "B": "2"}
    assert by_slot(["A=1", "B=2"], "--serial", TWO) == {"A": "1", "B": "2"}
    assert by_slot(["1,2"], "--serial", ["A"]) == {"A": "1,2"}


def test_one_file_is_for_every_unit_that_has_none() -> None:
    """A file without a slot serves the slots that have serial numbers; one with a slot outweighs it."""
    assert units_by_slot(["u.yaml"], TWO, TWO) == {"A": "u.yaml", "B": "u.yaml"}
    assert units_by_slot(["u.yaml"], TWO, ["B"]) == {"B": "u.yaml"}
    assert units_by_slot(["u.yaml", "B=w.yaml"], TWO, TWO) == {"A": "u.yaml", "B": "w.yaml"}
    assert units_by_slot(["u.yaml"], ["A"], []) == {"A": "u.yaml"}


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["1"], "the stand has the slots A, B; write SLOT=…"),
        (["A=1", "A=2"], "slot A is given twice, '1' and '2'"),
        (["A="], "nothing is given; expected A=VALUE"),
        (["C=1"], "there is no slot 'C'; expected one of A, B"),
    ],
)
def test_slips_in_slots(texts: list[str], words: str) -> None:
    """Each slip is named with what was expected."""
    with pytest.raises(UsageError) as refused:
        by_slot(texts, "--serial", TWO)
    assert words in str(refused.value)


def test_two_files_without_a_slot_are_refused() -> None:
    """Nobody can know which is for which."""
    with pytest.raises(UsageError, match="name no slot; write SLOT="):
        units_by_slot(["u.yaml", "w.yaml"], TWO, TWO)


@pytest.mark.parametrize("text", ["x" * 65, "a\nb", " a", "\x1b[31m"])
def test_a_serial_number_can_be_printed(text: str) -> None:
    """Too long, or with characters that could not stand on a label: refused."""
    with pytest.raises(UsageError, match="is not a serial number"):
        serial_number("A", text)


def test_notes_by_slot() -> None:
    """A note is for its slot; the operator is everybody's."""
    assert read_notes(["A.work-order=7", "operator=Ada", "B.battery-pulled=Yes"], TWO) == {
        "A": {"work-order": "7", "operator": "Ada"},
        "B": {"operator": "Ada", "battery-pulled": "yes"},
    }
    assert read_notes(["work-order=7"], ["A"]) == {"A": {"work-order": "7"}}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("work-order", "expected KEY=VALUE such as work-order=4711"),
        ("workorder=7", "'workorder' is no field of the intake"),
        ("workorder=7", "did you mean 'work-order'?"),
        ("battery-date=2021-13", "is no date; expected YYYY-MM-DD or YYYY-MM"),
        ("battery-pulled=maybe", "expected yes or no"),
        ("complaint=", "expected one line of at most 500 characters"),
        ("complaint=a\x1b[31m", "expected one line of at most 500 characters"),
        ("C.complaint=x", "there is no slot 'C'"),
    ],
)
def test_slips_in_notes(text: str, words: str) -> None:
    """Each slip is named with what was expected, and with the nearest word."""
    with pytest.raises(UsageError) as refused:
        read_notes([text], ["A"])
    assert words in str(refused.value)


def test_a_note_without_a_slot_on_a_stand_with_two(tmp_path: Path) -> None:
    """What is one unit's must say whose, in notes and in files alike."""
    with pytest.raises(UsageError, match=r"write SLOT\.complaint="):
        read_notes(["complaint=x"], TWO)
    path = tmp_path / "intake.yaml"
    path.write_text("complaint: x\n", encoding="utf-8")
    with pytest.raises(UsageError, match="expected one mapping for each of them"):
        read_intake(path, TWO)


def test_an_intake_file(tmp_path: Path) -> None:
    """Values stay as they are written; a file may hold one mapping for each slot."""
    path = tmp_path / "intake.yaml"
    path.write_text('work-order: "0012"\nbattery-date: 2021-03-05\nbattery-pulled: no\n', encoding="utf-8")
    assert read_intake(path, ["A"]) == {
        "A": {"work-order": "0012", "battery-date": "2021-03-05", "battery-pulled": "no"}
    }
    path.write_text("A: {serial: RH-1}\nB: {serial: RH-2, operator: Ada}\n", encoding="utf-8")
    assert read_intake(path, TWO) == {"A": {"serial": "RH-1"}, "B": {"serial": "RH-2", "operator": "Ada"}}


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "empty"),
        ("- a\n", ":1:1: expected keys such as"),
        ("C: {work-order: 1}\n", ":1:1: there is no slot 'C'; expected one of A"),
        ("A: {work-order: 1}\ncomplaint: a\n", ":2:1: complaint stands beside the slot A"),
        ('complaint: "C:\\x"\n', "a backslash in double quotes begins an escape"),
        ("work-order 4711\n", ":1:11: no colon behind `work-order`"),
        ("work-order: 0012\n", "'0012' in quotes for a text"),
        ("complaint: {a: b}\n", ":1:12: complaint holds a mapping; expected one line of text"),
        ("colour: red\n", "is no field of the intake"),
        ("complaint: a\ncomplaint: b\n", "complaint"),
        ("complaint: [\n", "YAML"),
    ],
    ids=[
        "empty",
        "a list",
        "a slot",
        "a slot and keys",
        "an escape",
        "no colon",
        "an octal number",
        "a mapping",
        "an unknown key",
        "a key twice",
        "no YAML",
    ],
)
def test_slips_in_an_intake_file(tmp_path: Path, content: str, words: str) -> None:
    """The file, and where it is known the line, are named."""
    path = tmp_path / "intake.yaml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises((UsageError, DescriptionError)) as refused:
        read_intake(path, ["A"])
    assert words in str(refused.value)
    assert "intake.yaml" in str(refused.value)
