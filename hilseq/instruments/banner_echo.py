"""What an instrument sends besides its answers: a greeting on each connection, each command once more.

Pure: knows lines; reads and waits for none. What is no echo raises `DecodeError`.
"""

from __future__ import annotations

from dataclasses import dataclass

from hilseq.instruments.translate import DecodeError, quote


@dataclass(frozen=True, slots=True)
class BannerEcho:
    """`greeting`: lines after each connection. `echo`: each command line comes back before its answer."""

    greeting: int = 0
    echo: bool = False

    def check_echo(self, line: str, command: str) -> None:
        """Require that a line is the command come back. Raises DecodeError."""
        if line.strip() != command.strip():
            raise DecodeError(f"'{quote(line)}' came instead of the echo of the command")

    def check_answer(self, answer: str, command: str) -> None:
        """Require that an answer is not the question, sent back by an echo nobody told of. Raises DecodeError."""
        if not self.echo and answer.strip() == command.strip():
            raise DecodeError("it sent the question itself back, as an instrument with `echo: true` does")


#: Nothing but answers, as SCPI has it.
PLAIN = BannerEcho()
