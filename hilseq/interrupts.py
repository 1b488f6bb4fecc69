"""Signals that end a run: all of them interrupt it like Ctrl-C, and none of them interrupts making safe."""

from __future__ import annotations

import math
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

#: Seconds that a run may take to end before another interrupt is taken for a new one.
ENDING = 30.0
HANG_UP = getattr(signal, "SIGHUP", None)
_ALL = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def _nothing() -> None:
    """Nobody wants to know."""


_heard: Callable[[], None] = _nothing


def interrupt_on_termination(heard: Callable[[], None] = _nothing) -> None:
    """Turn SIGTERM and SIGHUP into the interrupt that Ctrl-C is, so that every way out makes safe.

    One interrupt ends a run; those that follow it at once would only break off the ending. `heard` is called
    as soon as one has come, also where it is held back.
    """
    global _heard  # noqa: PLW0603 - a process has one set of signal handlers
    if threading.current_thread() is not threading.main_thread():
        return
    _heard = heard
    last = -math.inf

    def interrupt(number: int, _frame: object) -> None:
        nonlocal last
        heard()
        if number == HANG_UP:
            detach_closed_terminal()
        now = time.monotonic()
        if now - last > ENDING:
            last = now
            raise KeyboardInterrupt(f"interrupted ({signal.Signals(number).name})")

    for number in ending_signals():
        signal.signal(number, interrupt)


def ending_signals() -> tuple[int, ...]:
    """Return the signals that end a run: a hang-up not where it was ignored from the start, as by `nohup`."""
    return tuple(n for n in _ALL if n != HANG_UP or signal.getsignal(n) is not signal.SIG_IGN)


def detach_closed_terminal() -> None:
    """Lead nowhere what led to a terminal that is closed: writing there would fail, and hide the exit code."""
    with suppress(OSError):
        descriptors = [int(name) for name in os.listdir("/proc/self/fd")]  # noqa: PTH208 - no path each
        nowhere = os.open(os.devnull, os.O_RDWR)
        for descriptor in descriptors:
            with suppress(OSError):
                to = os.readlink(f"/proc/self/fd/{descriptor}")  # noqa: PTH115
                if to.startswith(("/dev/pts/", "/dev/tty")) and not os.isatty(descriptor):
                    os.dup2(nowhere, descriptor)
        os.close(nowhere)


@contextmanager
def held_back(*, again: bool = False) -> Iterator[None]:
    """Hold these signals back while something is done to its end; with `again`, raise the last afterwards."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def keep(number: int, _frame: object) -> None:
        _heard()
        if number == HANG_UP:
            detach_closed_terminal()
        came.append(number)

    before = {number: signal.signal(number, keep) for number in ending_signals()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
    if came and again:
        signal.raise_signal(came[-1])
