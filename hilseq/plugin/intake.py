"""Intake: what is known of a unit before it is powered, from a file, from options, or asked of the person at the stand.

The keys are those of hilseq/description/intake.py, and those that the stand file's `intake` adds: a shop's own.
"""

from __future__ import annotations

import os
import re
import select
import termios
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path

from hilseq.clock import Clock
from hilseq.description.fields import keys_of
from hilseq.description.findings import SourcePosition, nearest_word
from hilseq.description.intake import IntakeSheet
from hilseq.description.loading import kind_of
from hilseq.description.yaml_text import read_yaml
from hilseq.errors import DescriptionError, NotPerformed, UsageError
from hilseq.journal.entries import OperatorPrompt
from hilseq.journal.event_names import ANSWERED, ASKED, NOT_ANSWERED
from hilseq.procedures.operator import DONE, Operator, Prompt
from hilseq.reports.sanitize import sanitize

#: Key -> the question that asks for it, in this order, `operator` once for the whole visit.
QUESTIONS: Mapping[str, str] = {
    "operator": "Who is at the stand?",
    "serial": "Serial number of the unit in slot {slot}?",
    "work-order": "Work order of {serial} (slot {slot})?",
    "revision": "Hardware revision on the label of {serial}?",
    "complaint": "Why did {serial} come, in the words of the customer?",
    "outside-condition": "What is seen of {serial} from outside?",
    "battery-date": "Date on the memory battery of {serial} (YYYY-MM)?",
    "battery-pulled": "Is the battery of {serial} taken out?",
}
KEYS = tuple(keys_of(IntakeSheet))
LONGEST = 500
_YES_NO = {"yes": "yes", "y": "yes", "true": "yes", "no": "no", "n": "no", "false": "no"}
_MONTH = re.compile(r"\d{4}-\d{2}")

Intake = dict[str, str]


def key_of(word: str, own: Sequence[str], where: str) -> str:
    """Return the key that a word names: one of a shop's own, `rma-number` for `RMA number`, or one of KEYS.

    Raises UsageError with the nearest.
    """
    found = [key for key in own if _plain(key) == _plain(word)]
    if found:
        return found[0]
    if word in KEYS:
        return word
    known = (*KEYS, *own)
    near = nearest_word(word, known)
    raise UsageError(
        f"{where}: {word[:40]!r} is no field of the intake; expected one of {', '.join(known)}"
        + (
            f"; did you mean {near!r}?"
            if near
            else "; a field of your own goes into the stand file's `intake`"
        )
    )


def _plain(key: str) -> str:
    return key.casefold().replace("-", " ").replace("_", " ")


def value_of(key: str, value: str, where: str) -> str:
    """Return the value of a known key as it is kept. Raises UsageError with what was expected."""
    text = value.strip()
    if not text or len(text) > LONGEST or not text.isprintable():
        raise UsageError(f"{where}: {key}: {text[:40]!r}; expected one line of at most {LONGEST} characters")
    if key == "battery-date":
        return _date(text, where)
    if key == "battery-pulled":
        if text.casefold() not in _YES_NO:
            raise UsageError(f"{where}: {key}: {text[:40]!r}; expected yes or no")
        return _YES_NO[text.casefold()]
    return text


def _date(text: str, where: str) -> str:
    try:
        date.fromisoformat(f"{text}-01" if _MONTH.fullmatch(text) else text)
    except ValueError:
        raise UsageError(
            f"{where}: battery-date: {text[:40]!r} is no date; expected YYYY-MM-DD or YYYY-MM"
        ) from None
    return text


def read_intake(path: Path, slots: Sequence[str], own: Sequence[str] = ()) -> dict[str, Intake]:
    """Return what a file says about each slot: a mapping of keys, or one such mapping for each slot.

    `own` are the keys that the stand file adds.

    Raises UsageError or DescriptionError.
    """
    document, traps = read_yaml(path)
    if traps:
        raise DescriptionError(traps)
    content = dict(document.items())
    if not content:
        raise UsageError(
            f"{path}:{document.mark.line}:{document.mark.column}: expected keys such as `work-order: 4711`, or one "
            "mapping of them for each slot"
        )
    by_slot = [key for key, value in content.items() if isinstance(value.content, dict)]
    kind = kind_of(document)
    if kind is not None and by_slot and not any(key in slots for key in by_slot):
        name, option = ("profile", "--unit") if kind == "profile" else ("stand file", "--stand")
        raise UsageError(
            f"{path}: this is a {name}, which belongs to {option}; expected what is known of the unit, such as "
            "`work-order: 4711` or `complaint: hangs when warm`"
        )
    if len(by_slot) == len(content) or any(key in slots for key in by_slot):
        for key, value in content.items():
            place = f"{path}:{value.start.line}:{value.start.column}"
            if key not in by_slot:
                raise UsageError(
                    f"{place}: {key} stands beside the slot {by_slot[0]}; expected either keys, or one mapping of "
                    "them for each slot"
                )
            if key not in slots and key not in (*KEYS, *own):
                raise UsageError(f"{place}: there is no slot {key!r}; expected one of {', '.join(slots)}")
    if all(key in slots and isinstance(value.content, dict) for key, value in content.items()):
        return {str(slot): _said(value, path, own) for slot, value in content.items()}
    said = _said(document, path, own)
    if len(slots) > 1 and set(said) - {"operator"}:
        raise UsageError(
            f"{path}: the stand has the slots {', '.join(slots)}; expected one mapping for each of them"
        )
    return {slot: dict(said) for slot in slots}


def _said(written: SourcePosition, path: Path, own: Sequence[str]) -> Intake:
    """Return the keys of a mapping with their values as they are written: `0012` stays `0012`."""
    said = {}
    for word, value in written.items():
        key = key_of(str(word), own, f"{path}:{value.start.line}:{value.start.column}")
        where = f"{path}:{value.mark.line}:{value.mark.column}"
        if isinstance(value.content, dict | list):
            kind = "a list" if isinstance(value.content, list) else "a mapping"
            raise UsageError(
                f"{where}: {key} holds {kind}; expected one line of text, in quotes where it has brackets"
            )
        said[key] = value_of(key, value.text, where)
    return said


def read_notes(texts: Sequence[str], slots: Sequence[str], own: Sequence[str] = ()) -> dict[str, Intake]:
    """Return what `KEY=VALUE` and `SLOT.KEY=VALUE` options say about each slot. Raises UsageError."""
    found: dict[str, Intake] = {}
    for text in texts:
        word, equals, value = text.partition("=")
        slot, dot, key = word.rpartition(".")
        if not equals:
            raise UsageError(f"--note {text[:60]!r}: expected KEY=VALUE such as work-order=4711")
        if dot and slot not in slots:
            near = nearest_word(slot, slots)
            raise UsageError(
                f"--note {text[:60]!r}: there is no slot {slot!r}"
                + (f"; did you mean {near!r}?" if near else "")
            )
        if not dot and len(slots) > 1 and key != "operator":
            raise UsageError(
                f"--note {text[:60]!r}: the stand has the slots {', '.join(slots)}; write SLOT.{key}=…"
            )
        key = key_of(key, own, "--note")
        for each in [slot] if dot else slots:
            said = found.setdefault(each, {})
            if key in said:
                raise UsageError(f"--note: {key} is given twice")
            said[key] = value_of(key, value, "--note")
    return found


def ask_for_the_rest(
    said: Mapping[str, Mapping[str, str]], operator: Person, timeout: float, own: Sequence[str] = ()
) -> dict[str, Intake]:
    """Return what is known of each slot, with the operator asked for the rest; empty means not stated.

    Who answers is asked first. Raises UsageError when nobody does.
    """
    questions = {**QUESTIONS, **{key: f"{key} of {{serial}}?" for key in own}}
    full = {slot: dict(known) for slot, known in said.items()}
    name = next((known["operator"] for known in full.values() if "operator" in known), "")
    name = name or _asked("operator", QUESTIONS["operator"], "", operator, timeout)
    operator.name = name or operator.name
    for slot, known in full.items():
        if name:
            known.setdefault("operator", name)
        for key, question in questions.items():
            if key in known or key == "operator":
                continue
            words = question.replace("{slot}", slot).replace("{serial}", known.get("serial", "the unit"))
            answer = _asked(key, words, slot, operator, timeout)
            if answer:
                known[key] = answer
    return full


def _asked(key: str, question: str, slot: str, operator: Operator, timeout: float) -> str:
    """Ask until the answer makes sense; empty is allowed but for the serial number."""
    words = question
    while True:
        try:
            answer = operator.ask(Prompt(words, timeout, slot=slot))
        except NotPerformed as nobody:
            raise UsageError(f"--attended says that a person is there, but {nobody}") from nobody
        if not answer and key != "serial":
            return ""
        try:
            return value_of(key, answer, "answer")
        except UsageError as wrong:
            words = f"{wrong}. {question}"


#: Longest wall time between two signs of life while a person thinks, s.
_SLICE = 0.2
LONGEST_ANSWER = 4096

#: `note(what, text, slot, prompt)` keeps an event.
Note = Callable[[str, str, str, OperatorPrompt], None]


class Lines:
    """Lines from a file descriptor, each under a time-out, with nothing read twice or lost between."""

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self._buffer = b""
        self._ended = False

    def next(self, within: float, tick: Callable[[], None]) -> str | None:
        """Return the next line without its end, or None when none came within `within` s.

        Raises EOFError when no line will ever come.
        """
        until = time.monotonic() + within
        while b"\n" not in self._buffer:
            if self._ended:
                if not self._buffer:
                    raise EOFError
                self._buffer += b"\n"
                break
            tick()
            left = until - time.monotonic()
            if left <= 0:
                return None
            if not select.select([self._handle], [], [], min(left, _SLICE))[0]:
                continue
            try:
                came = os.read(self._handle, LONGEST_ANSWER)
            except OSError:
                came = b""  # the terminal has gone
            self._ended = not came
            self._buffer = (self._buffer + came)[-2 * LONGEST_ANSWER :]
        line, _, self._buffer = self._buffer.partition(b"\n")
        return line.decode("utf-8", "replace").strip()

    def forget_typed(self) -> None:
        """Leave out what was typed on a terminal before now: it answers nothing that is asked from now on."""
        if os.isatty(self._handle):
            termios.tcflush(self._handle, termios.TCIFLUSH)
            self._buffer = b""


class Person(Operator):
    """The operator at a terminal. `folder` is where pictures are looked for."""

    def __init__(self, source: int, target: int, folder: Path) -> None:
        self._lines = Lines(source)
        self._target = target
        self._folder = folder
        self._early: list[tuple[str, str, str, OperatorPrompt]] = []
        self._note: Note = self._later
        self._clock: Clock | None = None
        #: Who answers.
        self.name = "not stated"

    def attach(self, clock: Clock, note: Note) -> None:
        """Note answers, those already given too, and count the time that passes from now on."""
        self._clock, self._note = clock, note
        for early in self._early:
            note(*early)
        self._early.clear()

    def _later(self, what: str, text: str, slot: str, prompt: OperatorPrompt) -> None:
        self._early.append((what, text, slot, prompt))

    def ask(self, prompt: Prompt) -> str:
        """See Operator."""
        begun = time.monotonic()
        asked = OperatorPrompt(question=prompt.text, picture=prompt.picture, expected=prompt.expected)
        self._note(ASKED, prompt.text, prompt.slot, asked)
        self._show(_question(prompt, self._picture(prompt.picture)))
        answer, why = self._answer(prompt, begun + prompt.timeout)
        took = time.monotonic() - begun
        if self._clock is not None:
            self._clock.account_wait(took)
        answered = asked.model_copy(update={"answer": answer, "by": self.name, "seconds": round(took, 3)})
        if answer is None:
            self._note(NOT_ANSWERED, f"{prompt.text} - {why}", prompt.slot, answered)
            raise NotPerformed(f"{why}: {prompt.text}")
        words = f"{prompt.text} - {answer or 'nothing'!r}, answered by {self.name}"
        self._note(ANSWERED, words, prompt.slot, answered)
        return answer

    def _answer(self, prompt: Prompt, until: float) -> tuple[str | None, str]:
        tick = self._clock.tick if self._clock is not None else lambda: None
        while True:
            try:
                line = self._lines.next(until - time.monotonic(), tick)
            except EOFError:
                return None, "no answer is possible: the input has ended"
            if line is None:
                return None, f"no answer within {prompt.timeout:g} s"
            found = understood(line, prompt.expected)
            if found is not None:
                return found, ""
            self._show(f"  expected one of: {', '.join(prompt.expected)}\n> ")

    def _picture(self, name: str) -> str:
        if not name:
            return ""
        path = self._folder / name
        return str(path) if path.is_file() else f"{path} (missing)"

    def _show(self, text: str) -> None:
        data = text.encode("utf-8", "replace")
        while data:
            data = data[os.write(self._target, data) :]


def _question(prompt: Prompt, picture: str) -> str:
    lines = [f"\n>>> {sanitize(prompt.text)}"]
    if picture:
        lines.append(f"    picture: {sanitize(picture)}")
    if prompt.expected:
        enter = f" (Enter: {DONE})" if prompt.expected[0] == DONE else ""
        lines.append(f"    answer: {' / '.join(prompt.expected)}{enter}")
    return "\n".join(lines) + "\n> "


def understood(line: str, expected: tuple[str, ...]) -> str | None:
    """Return which answer a line is; None when it is none of those expected."""
    if not expected:
        return line
    if not line:
        return DONE if expected[0] == DONE else None
    exact = [answer for answer in expected if answer.casefold() == line.casefold()]
    begun = [answer for answer in expected if answer.casefold().startswith(line.casefold())]
    return exact[0] if exact else begun[0] if len(begun) == 1 else None
