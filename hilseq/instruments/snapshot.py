"""One snapshot of several devices: all are asked before the first is listened to, each answers in its own time.

Knows which devices share a line and are asked one after the other. Must not know what they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import ExitStack

from hilseq.instruments.protocols import SnapshotReader


def snapshot(readers: Sequence[SnapshotReader], names: Iterable[str]) -> dict[str, float]:
    """Return the values of all readers, in the order of `names`.

    Raises what the first device that does not do its part raises; whatever was asked is given up then.
    """
    values: dict[str, float] = {}
    lines: dict[int, list[SnapshotReader]] = {}
    for reader in readers:
        lines.setdefault(id(reader.line), []).append(reader)
    with ExitStack() as locks:
        for reader in readers:
            locks.enter_context(reader.lock)
        try:
            for queue in lines.values():
                queue[0].ask()
            waiting = list(lines.values())
            while waiting:
                for queue in waiting:
                    if queue[0].take(values):
                        del queue[0]
                        if queue:
                            queue[0].ask()
                waiting = [queue for queue in waiting if queue]
        except BaseException:
            for reader in readers:
                reader.abandon()
            raise
    return {name: values[name] for name in names}
