"""A check must say something: one that passes without a reading judged or an assertion executed is an error in it.

pytest tells of assertions that hold (`pytest_assertion_pass`) only where a module was compiled for it, so the sequences
of a visit are compiled apart from those of a run without a stand.
"""

from __future__ import annotations

import sys
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import pluggy
import pytest
from _pytest.assertion import rewrite

import hilseq
from hilseq.errors import UsageError
from hilseq.plugin.classify import NothingJudged
from hilseq.plugin.markers import where
from hilseq.plugin.planned import CHECK
from hilseq.statements import compared, comparisons

_SETTING = "enable_assertion_pass_hook"
_OURS = str(Path(hilseq.__file__).resolve().parent)
#: Where an installation keeps the shipped sequences.
_SEQUENCES = str(Path(_OURS) / "data")
#: What lies between an assertion and the hook that tells of it.
_BETWEEN = (
    str(Path(rewrite.__file__).resolve().parents[1]),
    str(Path(pluggy.__file__).resolve().parent),
    __file__,
)


@contextmanager
def compiled_with_assertion_hook(config: pytest.Config) -> Iterator[None]:
    """Have what is imported meanwhile tell of assertions that hold. Raises UsageError where pytest may not."""
    if config.getoption("assertmode") == "plain":
        raise UsageError("--assert=plain: a check must be seen to assert something; leave the option out")
    tail, known = rewrite.PYC_TAIL, config.getini(_SETTING)
    rewrite.PYC_TAIL = f"-hilseq{tail}"
    config._inicache[_SETTING] = True  # noqa: SLF001 - `-o` is read before any plugin, and is for all modules
    try:
        yield
    finally:
        rewrite.PYC_TAIL = tail
        config._inicache[_SETTING] = known  # noqa: SLF001 - as above


class Judging:
    """The hooks that count what a check states."""

    @pytest.hookimpl
    def pytest_assertion_pass(self) -> None:
        """Count an assertion of a sequence that holds; those of hilseq itself say nothing of a unit."""
        file = _asserting(sys._getframe(1))  # noqa: SLF001 - the hook is given no file
        if not file.startswith(_OURS) or file.startswith(_SEQUENCES):
            compared()

    @pytest.hookimpl(wrapper=True)
    def pytest_pyfunc_call(self, pyfuncitem: pytest.Function) -> Generator[None, object, object]:
        """Refuse a check that has passed and said nothing. Raises NothingJudged.

        That its fixtures could bring the unit into a state is no statement of the check; a reading that they judge is.
        """
        before = comparisons()
        result = yield
        if comparisons() == before and not pyfuncitem.stash[CHECK].readings:
            raise NothingJudged(
                f"{where(pyfuncitem)} judged no reading and executed no assertion, so it shows nothing about the unit; "
                "judge what it measures, or assert what it sees"
            )
        return result


def _asserting(frame: FrameType | None) -> str:
    """Return the file of the assertion that a hook is called for."""
    while frame is not None and frame.f_code.co_filename.startswith(_BETWEEN):
        frame = frame.f_back
    return "" if frame is None else frame.f_code.co_filename
