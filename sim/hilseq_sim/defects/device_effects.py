"""Effects on an I/O simulator: its mains, and how it talks within its protocol and yet not as most do."""

from __future__ import annotations

from hilseq_sim.defects.change import Add, Change
from hilseq_sim.defects.effects import Spot

#: Later answers behind which a copy comes at severity 1.
_FAR_BEHIND = 1000


def io_resets(spot: Spot) -> list[Change]:
    """Let the device lose its mains for a moment each minute, and with it what it was driving."""
    return [Add(spot.world.wiring.io[spot.place.removeprefix("io ")], "resets")]


def io_busy(spot: Spot) -> list[Change]:
    """Let the device be busy at times: for twice the deadline at severity 1, with the cube of the severity."""
    deadline = spot.world.stand.io[spot.place.removeprefix("io ")].deadline
    return [Add(spot.world.connections[spot.place], "busy", 2.0 * deadline * spot.severity**3)]


def io_answers_twice(spot: Spot) -> list[Change]:
    """Let every answer come once more: right behind itself at severity 0, a thousand answers later at 1.

    Counted in answers and not in seconds, so that a slow computer draws the same.
    """
    connection = spot.world.connections[spot.place]
    behind = round(_FAR_BEHIND**spot.severity) - 1
    return [Add(connection, "twice"), Add(connection, "twice_behind", behind)]
