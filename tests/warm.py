"""Command lines in a process that has imported everything: a third of the work of a short visit is importing.

Forked afresh for each command from a server that has done nothing but import, so that nothing is handed on.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

_CONTEXT = multiprocessing.get_context("forkserver")
_CONTEXT.set_forkserver_preload(
    [
        "allure_pytest.plugin",
        "hilseq.cli.main",
        "hilseq.cli.view",
        "hilseq.plugin.fixtures",
        "hilseq.plugin.hooks",
        "hilseq.plugin.soaking",
        "hilseq.reports.write",
        "pyvisa_py.tcpip",
        "scipy.special",
    ]
)


@dataclass(frozen=True, slots=True)
class Done:
    """How a command ended, as `subprocess.run` tells it."""

    returncode: int
    stdout: str
    stderr: str


def hilseq(*arguments: str, cwd: Path, timeout: float = 110.0) -> Done:
    """Run `hilseq` with these arguments in a folder. Raises TimeoutError when it does not end."""
    return _run("hilseq", arguments, cwd, timeout)


def pytest(*arguments: str, cwd: Path, timeout: float = 110.0) -> Done:
    """Run `pytest` with these arguments in a folder. Raises TimeoutError when it does not end."""
    return _run("pytest", arguments, cwd, timeout)


def _run(program: str, arguments: tuple[str, ...], cwd: Path, timeout: float) -> Done:
    with tempfile.TemporaryDirectory() as folder:
        out, err = Path(folder) / "out", Path(folder) / "err"
        process = _CONTEXT.Process(target=_command_line, args=(program, arguments, cwd, out, err))
        process.start()
        process.join(timeout)
        if process.exitcode is None:
            process.kill()
            process.join()
            raise TimeoutError(f"{program} {' '.join(arguments)} did not end within {timeout:g} s")
        return Done(process.exitcode, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8"))


def _command_line(program: str, arguments: tuple[str, ...], cwd: Path, out: Path, err: Path) -> None:
    for descriptor, path in ((1, out), (2, err)):
        handle = os.open(path, os.O_WRONLY | os.O_CREAT)
        os.dup2(handle, descriptor)
        os.close(handle)
    os.chdir(cwd)
    sys.argv = [program, *arguments]
    if program == "pytest":
        import pytest

        sys.exit(pytest.console_main())
    from hilseq.cli.main import main

    main()
