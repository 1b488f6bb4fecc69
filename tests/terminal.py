"""A real terminal for a command: a pty whose screen is kept as a person would see it, and typed on by line."""

from __future__ import annotations

import fcntl
import os
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import pyte


class Terminal:
    """A command on a terminal of `columns` by `rows`; what scrolls off the top is kept."""

    def __init__(
        self,
        line: Sequence[str],
        cwd: Path,
        *,
        columns: int = 80,
        rows: int = 40,
        environ: Mapping[str, str] | None = None,
    ) -> None:
        self._screen = pyte.HistoryScreen(columns, rows, history=2000)
        self._stream = pyte.ByteStream(self._screen)
        self._handle, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        environment = {**os.environ, "TERM": "xterm-256color", **(environ or {})}
        environment.pop("COLUMNS", None)
        self._process = subprocess.Popen(
            line, stdin=slave, stdout=slave, stderr=slave, cwd=cwd, env=environment, start_new_session=True
        )
        os.close(slave)

    def __enter__(self) -> Self:
        """Return the terminal."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the command, if it has not ended."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(10)
        with suppress(OSError):  # one that was closed under it
            os.close(self._handle)

    def hang_up(self) -> int:
        """Close the terminal under the command, and return how it ended."""
        os.close(self._handle)
        self._handle = -1
        self._process.send_signal(signal.SIGHUP)
        return self._process.wait(60)

    @property
    def text(self) -> str:
        """What stands on the screen."""
        return "\n".join(line.rstrip() for line in self._screen.display).rstrip()

    @property
    def lines(self) -> list[str]:
        """Everything that was printed, from the first line on, as it looks at last."""
        columns = range(self._screen.columns)
        gone = ["".join(row[column].data for column in columns).rstrip() for row in self._screen.history.top]
        return [*gone, *self.text.splitlines()]

    def until(self, words: str, within: float = 100.0) -> str:
        """Wait until the words stand on the screen, and return it. Raises TimeoutError with the screen."""
        end = time.monotonic() + within
        while words not in self.text:
            if time.monotonic() > end or not self._feed():
                raise TimeoutError(f"{words!r} does not come; the screen:\n{self.text}")
        return self.text

    def type(self, line: str) -> None:
        """Type a line, as a person or a barcode reader does."""
        os.write(self._handle, f"{line}\n".encode())

    def answer(self, words: str, line: str, within: float = 100.0) -> str:
        """Wait for the words with a prompt below them, type a line, and return the screen as it was."""
        end = time.monotonic() + within
        while words not in self.text or not self.text.endswith(">"):
            if time.monotonic() > end or not self._feed():
                raise TimeoutError(f"{words!r} does not come; the screen:\n{self.text}")
        seen = self.text
        self.type(line)
        while self.text == seen and self._feed():
            pass
        return seen

    def wait(self, within: float = 100.0) -> int:
        """Wait until the command ends; return its exit code."""
        end = time.monotonic() + within
        while self._feed():
            if time.monotonic() > end:
                raise TimeoutError(f"it does not end; the screen:\n{self.text}")
        return self._process.wait(10)

    def _feed(self) -> bool:
        """Take what comes within a tenth of a second; tell whether more can come."""
        if not select.select([self._handle], [], [], 0.1)[0]:
            return self._process.poll() is None
        try:
            came = os.read(self._handle, 65536)
        except OSError:  # the command has closed its side
            return False
        self._stream.feed(came)
        return bool(came)
