"""Command lines in a process that has imported everything: a third of the work of a short visit is importing.

Forked afresh for each command from a server that has done nothing but import, so that nothing is handed on. Its
twin is forked from it in turn, before the command has done anything but read its options.
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from tests.journal_schema import check_journal

#: How long a command may take, s, unless stated otherwise.
SECONDS = 280.0
_CONTEXT = multiprocessing.get_context("forkserver")
_CONTEXT.set_forkserver_preload(["tests.preloaded"])


@dataclass(frozen=True, slots=True)
class Done:
    """How a command ended, as `subprocess.run` tells it."""

    returncode: int
    stdout: str
    stderr: str


def hilseq(*arguments: str, cwd: Path, timeout: float = SECONDS) -> Done:
    """Run `hilseq` with these arguments in a folder. Raises TimeoutError when it does not end."""
    return _run("hilseq", arguments, cwd, timeout)


def pytest(*arguments: str, cwd: Path, timeout: float = SECONDS) -> Done:
    """Run `pytest` with these arguments in a folder. Raises TimeoutError when it does not end."""
    return _run("pytest", arguments, cwd, timeout)


class Running:
    """A `hilseq` that was begun in a session of its own: its process, as `subprocess.Popen` shows one."""

    def __init__(self, *arguments: str, log: Path) -> None:
        self._process = _CONTEXT.Process(
            target=_in_its_session, args=(arguments, Path.cwd(), log, dict(os.environ))
        )
        self._process.start()
        assert self._process.pid is not None
        self.pid = self._process.pid

    @property
    def returncode(self) -> int | None:
        """How it ended, the number of a signal negative; None while it runs."""
        return self._process.exitcode

    def poll(self) -> int | None:
        """See `returncode`."""
        return self._process.exitcode

    def wait(self, timeout: float) -> int:
        """Wait for its end. Raises subprocess.TimeoutExpired."""
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("hilseq", timeout)
        return self._process.exitcode

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()


def _run(program: str, arguments: tuple[str, ...], cwd: Path, timeout: float) -> Done:
    with tempfile.TemporaryDirectory() as folder:
        out, err = Path(folder) / "out", Path(folder) / "err"
        process = _CONTEXT.Process(
            target=_command_line, args=(program, arguments, cwd, out, err, dict(os.environ))
        )
        process.start()
        process.join(timeout)
        if process.exitcode is None:
            process.kill()
            process.join()
            raise TimeoutError(f"{program} {' '.join(arguments)} did not end within {timeout:g} s")
        for journal in _journals(arguments, cwd):
            check_journal(journal)
        return Done(process.exitcode, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8"))


def _journals(arguments: tuple[str, ...], cwd: Path) -> list[Path]:
    """Return the folders of runs that a command line has made or continued: each journal fits its schema."""
    named = [
        after for word, after in pairwise(arguments) if word == "--out" or arguments[0] == word == "resume"
    ]
    return [cwd / folder for folder in named]


class _WarmTwin(subprocess.Popen[bytes]):
    """Starts `python -P -m hilseq_sim` by a fork of this process; anything else as ever."""

    def _execute_child(self, args: Any, *rest: Any) -> None:
        if list(args[1:4]) != ["-P", "-m", "hilseq_sim"]:
            super()._execute_child(args, *rest)  # type: ignore[misc] # the standard library keeps it to itself
            return
        # The child's ends of the pipes, -1 where there is none; the parent's lie between them.
        streams = {n: file for n, file in enumerate((rest[9], rest[12], rest[14])) if file >= 0}
        self.pid = os.fork()
        if self.pid == 0:
            _twin(args[4:], streams)
        self._child_created = True
        for file in set(streams.values()):  # errors may go where the output goes
            os.close(file)


def _twin(arguments: list[str], streams: dict[int, int]) -> None:
    """Be the twin, and end with it."""
    code = 70
    try:
        os.setsid()
        for stream, file in streams.items():
            os.dup2(file, stream)
        os.closerange(3, 1024)  # the parent's ends too: a twin ends when its standard input does
        sys.stdin, sys.stdout, sys.stderr = (os.fdopen(n, "r" if n == 0 else "w") for n in (0, 1, 2))
        from hilseq_sim.__main__ import main

        code = main(arguments)
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        os._exit(code)


def _in_its_session(arguments: tuple[str, ...], cwd: Path, log: Path, environment: dict[str, str]) -> None:
    os.setsid()
    _command_line("hilseq", arguments, cwd, log, log, environment)


def _command_line(  # noqa: PLR0917 - as a process is given them
    program: str,
    arguments: tuple[str, ...],
    cwd: Path,
    out: Path,
    err: Path,
    environment: dict[str, str],
) -> None:
    os.environ.clear()  # that of the server is the one of whichever test came first
    os.environ.update(environment)
    for descriptor, path in ((1, out), (2, err)):
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(handle, descriptor)
        os.close(handle)
    os.chdir(cwd)
    subprocess.Popen = _WarmTwin  # type: ignore[assignment, misc] # in this process, which makes one command
    sys.argv = [program, *arguments]
    if program == "pytest":
        import pytest

        sys.exit(pytest.console_main())
    from hilseq.cli.main import main

    main()
