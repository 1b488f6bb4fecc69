"""The person at the stand, asked on the terminal: one line out, one line in, under a time-out.

Reads and writes file descriptors that were kept aside before pytest began to capture, so that it works under
capture, from a terminal and from a pipe alike.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable
from pathlib import Path

from hilseq.clock import Clock
from hilseq.errors import NotPerformed
from hilseq.journal.entries import ANSWERED, ASKED, NOT_ANSWERED, OperatorPrompt
from hilseq.procedures.operator import DONE, Operator, Prompt
from hilseq.reports.sanitize import sanitize

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
                return None, "nobody can answer, the input has ended"
            if line is None:
                return None, f"nobody answered within {prompt.timeout:g} s"
            found = _understood(line, prompt.expected)
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


def _understood(line: str, expected: tuple[str, ...]) -> str | None:
    """Return which answer a line is; None when it is none of those expected."""
    if not expected:
        return line
    if not line:
        return DONE if expected[0] == DONE else None
    exact = [answer for answer in expected if answer.casefold() == line.casefold()]
    begun = [answer for answer in expected if answer.casefold().startswith(line.casefold())]
    return exact[0] if exact else begun[0] if len(begun) == 1 else None
