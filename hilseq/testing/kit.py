"""What all tests of the kit share: what a driver claims, what is known to fail, and a call that must come to an end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar

import pytest

from hilseq.errors import StandFault

R = TypeVar("R")
#: A call must have come to its end after so many deadlines, and some seconds for a busy computer.
_DEADLINES, _SECONDS = 20, 20.0


@dataclass(frozen=True)
class Capabilities:
    """What a driver claims; each claim has tests, and nothing is claimed by default.

    A later version of the kit adds claims, never a test without one.
    """

    #: An answer that comes after its deadline may still arrive, and is told from that to the next question.
    tells_late_answers: bool = False
    #: An answer whose bits were turned on the way is refused, or not recognized as one.
    refuses_garbled_answers: bool = False
    #: A connection that was lost is opened again by the next call or the one after it.
    reconnects: bool = False
    #: `SupplyOutput.programmed` answers for voltage and current limit.
    reads_settings_back: bool = False
    #: `SupplyOutput.is_on` answers.
    tells_whether_on: bool = False
    #: It can say what it is: `identify` (of a link: `identification`) returns something.
    identifies: bool = False
    #: Channels, links: there are values that can be written.
    writes: bool = False
    #: Channels: a device that has forgotten what was written to it is found out by `forgotten`.
    notices_forgetting: bool = False


def claimed(name: str) -> Callable[[Callable[..., R]], Callable[..., R]]:
    """Mark a test that is for drivers with a claim of this name only."""
    if name not in Capabilities.__dataclass_fields__:
        raise ValueError(f"no claim {name!r}")

    def mark(test: Callable[..., R]) -> Callable[..., R]:
        test.claim = name  # type: ignore[attr-defined]
        return test

    return mark


class DriverTests:
    """Base of all classes of the kit."""

    #: What the driver claims.
    capabilities: ClassVar[Capabilities] = Capabilities()
    #: Name of a test -> why it fails. Strict: a test that passes after all fails the suite.
    expected_failures: ClassVar[Mapping[str, str]] = {}

    @pytest.fixture(autouse=True)
    def _only_what_is_claimed(self, request: pytest.FixtureRequest) -> None:
        test: Any = request.function
        claim = getattr(test, "claim", None)
        if claim is not None and not getattr(self.capabilities, claim):
            pytest.skip(f"not claimed: {claim}")
        why = self.expected_failures.get(test.__name__)
        if why is not None:
            request.applymarker(pytest.mark.xfail(reason=why, strict=True))


def ends(call: Callable[[], R], deadline: float) -> R:
    """Return what a call returns or raises; fail when it hangs. `deadline` in s is that of one exchange."""
    found: list[R] = []
    errors: list[BaseException] = []

    def run() -> None:
        try:
            found.append(call())
        except BaseException as error:  # noqa: BLE001 - it is raised by the caller
            errors.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(_DEADLINES * deadline + _SECONDS)
    assert not thread.is_alive(), f"the call hangs; the deadline of an exchange is {deadline:g} s"
    if errors:
        raise errors[0]
    return found[0]


def fault_of_stand(call: Callable[[], object], deadline: float, name: str) -> StandFault:
    """Return the StandFault that a call must raise, in time and naming the instrument."""
    with pytest.raises(StandFault) as caught:
        ends(call, deadline)
    assert name in str(caught.value), f"the message does not name {name!r}: {caught.value}"
    return caught.value
