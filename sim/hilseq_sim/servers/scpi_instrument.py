"""A programmable DC supply that speaks SCPI: program messages in, response messages out.

One instrument, however many connections: queue, status and selected output are shared, as on the real
thing. A message is parsed once into steps, and the steps are kept: a soak asks the same question a quarter
of a million times. No I/O.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import TypeAlias

from hilseq_sim.servers import scpi_numbers
from hilseq_sim.servers.scpi_commands import (
    BY_PURPOSE,
    COMMANDS,
    Answer,
    Command,
    InstrumentOutput,
    InstrumentState,
    Run,
    measure_both,
)
from hilseq_sim.servers.scpi_errors import ScpiError
from hilseq_sim.servers.scpi_headers import Dialect, MessageUnit, OddCommand, Tree, split

_PROGRAMS_KEPT = 512
#: A longer message is not worth keeping parsed.
_LONGEST_KEPT = 256
#: White space of IEEE 488.2, 7.4.1.2.
_SPACES = "".join(map(chr, range(33)))

Step: TypeAlias = "Callable[[], str | None]"


class Instrument:
    """One supply with one or more outputs, by number."""

    def __init__(self, outputs: Mapping[int, InstrumentOutput], dialect: Dialect | None = None) -> None:
        self._outputs = dict(outputs)
        self._state = InstrumentState(self._outputs, min(self._outputs))
        self._programs: dict[str, tuple[tuple[Step, ...], int]] = {}
        self._odd = dialect.odd if dialect else ()
        missing = dialect.missing if dialect else frozenset()
        self._tree: Tree[Command] = Tree()
        for command in COMMANDS:
            if not _is_missing(command.purpose, missing):
                self._tree.add(command.pattern, command)

    @property
    def outputs(self) -> tuple[InstrumentOutput, ...]:
        """All its outputs."""
        return tuple(self._outputs.values())

    def answer(self, message: str) -> str | None:
        """Carry out one program message and return the response message, None when there is none."""
        program = self._programs.get(message)
        if program is None:
            program = self._compiled(message)
        steps, fault = program
        state = self._state
        answers: list[str] = []
        for step in steps:
            state.answered = bool(answers)
            try:
                answer = step()
            except ScpiError as error:
                self._state.status.report(error.number)
                continue
            if answer is not None:
                answers.append(answer)
        if fault:
            self._state.status.report(fault)
        if len(answers) == 1:
            return answers[0]
        return ";".join(answers) if answers else None

    def report(self, number: int) -> None:
        """Put an error of the connection (-363, -410, -420) into the queue."""
        self._state.status.report(number)

    def understands(self, purpose: str, command: str) -> bool:
        """Return whether the standard gives `command` the sense of `purpose`, on the output selected."""
        wanted = ("measure_voltage", "measure_current") if purpose == "measure_both" else (purpose,)
        texts = [text.strip(_SPACES) for text in split(command, ";")]
        path: list[str] = []
        try:
            if len(texts) != len(wanted):
                return False
            for text, name in zip(texts, wanted, strict=True):
                before = list(path)
                self._step(text, before)  # refuses a wrong number of parameters or of output
                if not _fulfils(self._tree.unit(text, path), name):
                    return False
        except ScpiError:
            return False
        return True

    # From text to steps.

    def _compiled(self, message: str) -> tuple[tuple[Step, ...], int]:
        steps: list[Step] = []
        fault = 0
        try:
            for step in self._parsed(message):
                steps.append(step)  # noqa: PERF402 - what came before an error stands
        except ScpiError as error:
            fault = error.number
        program = (tuple(steps), fault)
        if len(self._programs) >= _PROGRAMS_KEPT:
            self._programs.clear()
        if len(message) <= _LONGEST_KEPT:
            self._programs[message] = program
        return program

    def _parsed(self, message: str) -> Iterator[Step]:
        text = message.strip(_SPACES)
        spanning = self._odd_step(text, spanning=True)
        if spanning is not None:
            step, text = spanning
            yield step
        path: list[str] = []
        for part in split(text, ";"):
            unit = part.strip(_SPACES)
            odd = self._odd_step(unit, spanning=False) if unit else None
            if odd is not None:
                path.clear()
                yield odd[0]
            elif unit:
                yield self._step(unit, path)

    def _odd_step(self, text: str, *, spanning: bool) -> tuple[Step, str] | None:
        """Return the step of the odd command at the beginning of `text`, and what is left of the message."""
        for command in self._odd:
            matched = command.expression.fullmatch(text) if command.spans_units == spanning else None
            if matched is not None:
                found = matched.groupdict()
                return self._odd_call(command, found), found.get("rest") or ""
        return None

    def _odd_call(self, command: OddCommand, found: Mapping[str, str | None]) -> Step:
        number = int(found.get("output") or 0) or command.output
        if command.purpose == "select":
            return partial(self._run, BY_PURPOSE["select"], 0, (str(number),))
        if number and number not in self._outputs:
            raise ScpiError(-114)
        run = BY_PURPOSE[command.purpose]
        if command.purpose == "measure_both" and command.spans_units:
            run = partial(measure_both, separator=";")
        value = found.get("value")
        return partial(self._run, run, number, () if value is None else (value,))

    def _step(self, text: str, path: list[str]) -> Step:
        """Return the step of a standard command."""
        unit = self._tree.unit(text, path)
        command, parameters = unit.command, unit.parameters
        numbers: tuple[int, ...] = (unit.suffix,)
        if command.per_output and parameters and scpi_numbers.is_channel_list(parameters[-1]):
            numbers, parameters = scpi_numbers.channels(parameters[-1]), parameters[:-1]
        if len(parameters) < command.least:
            raise ScpiError(-109)
        if len(parameters) > command.most:
            raise ScpiError(-108)
        if unit.suffix and unit.suffix not in self._outputs:
            raise ScpiError(-114)
        if len(numbers) > 1:
            return partial(self._run_each, command.run, numbers, parameters)
        return partial(self._run, command.run, numbers[0], parameters)

    def _run(self, run: Run, number: int, parameters: Sequence[str]) -> Answer:
        output = self._outputs.get(number or self._state.selected)
        if output is None:
            raise ScpiError(-222)
        return run(self._state, output, parameters)

    def _run_each(self, run: Run, numbers: Sequence[int], parameters: Sequence[str]) -> Answer:
        if any(number not in self._outputs for number in numbers):
            raise ScpiError(-222)
        answers = [run(self._state, self._outputs[number], parameters) for number in numbers]
        return ",".join(answer for answer in answers if answer is not None) or None


def _fulfils(unit: MessageUnit[Command], purpose: str) -> bool:
    if purpose not in ("output_on", "output_off"):
        return unit.command.purpose == purpose
    return (
        unit.command.purpose == "output"
        and len(unit.parameters) > 0
        and scpi_numbers.boolean(unit.parameters[0]) == (purpose == "output_on")
    )


def _is_missing(purpose: str, missing: frozenset[str]) -> bool:
    return {"output_on", "output_off"} <= missing if purpose == "output" else purpose in missing
