"""Signals that end a run: all of them interrupt it like Ctrl-C, and none of them interrupts making safe."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_ALL = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def interrupt_on_termination() -> None:
    """Turn SIGTERM and SIGHUP into the interrupt that Ctrl-C is, so that every way out makes safe."""
    if threading.current_thread() is not threading.main_thread():
        return

    def interrupt(number: int, _frame: object) -> None:
        raise KeyboardInterrupt(signal.Signals(number).name)

    for number in _ALL:
        if number != signal.SIGINT:
            signal.signal(number, interrupt)


@contextmanager
def held_back(*, again: bool = False) -> Iterator[None]:
    """Hold these signals back while something is done to its end; with `again`, raise the last afterwards."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {number: signal.signal(number, lambda number, _: came.append(number)) for number in _ALL}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
    if came and again:
        signal.raise_signal(came[-1])
