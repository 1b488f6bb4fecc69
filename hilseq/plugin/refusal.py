"""The end of a command line that makes no sense, before anything is powered."""

from __future__ import annotations

from typing import NoReturn

from _pytest.outcomes import Exit

from hilseq.verdicts import ExitCode


class Error(Exit):
    """Ends pytest where nothing was powered yet."""


def refuse(error: object, code: ExitCode = ExitCode.USAGE) -> NoReturn:
    """End the session with what is wrong. pytest's own code for a usage error is that of a stand fault here."""
    raise Error(f"nothing was powered:\n{error}", returncode=int(code))
