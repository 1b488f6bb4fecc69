"""The collector of garbage: what is loaded once and lives as long as the process is not looked through again and again.

Without this the collector takes a tenth of a visit (every import and every check makes it look through everything).
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def left_while_loading() -> Iterator[None]:
    """Leave the collector off until `settled`, at the latest until the end."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def settled(*, collect: bool = True) -> None:
    """Everything is loaded: look only through what comes from now on. `collect` looks through all once more."""
    if collect:
        gc.collect()
    gc.freeze()
    gc.enable()
