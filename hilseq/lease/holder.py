"""Who holds an instrument, in words that the holder has left in its lock file."""

from __future__ import annotations

import getpass
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from hilseq.journal.writer import boot_id
from hilseq.lease.process import Process

#: A record is never longer; more is not read.
LONGEST = 65536
_SHOWN = 1000


@dataclass(frozen=True, slots=True)
class Holder:
    """A command that holds a stand. `folder` is its run's, or empty; `units` serial by slot; times ISO 8601, UTC.

    An owner, which holds it for several runs, has these as its `members`, and a `door` by which more can join.
    """

    command: str
    stand: str
    user: str
    since: str
    process: Process
    boot: str
    folder: str = ""
    units: Mapping[str, str] = field(default_factory=dict)
    guard: Process | None = None
    ending: bool = False
    door: str = ""
    members: tuple[Holder, ...] = ()

    @classmethod
    def this(
        cls,
        command: str,
        stand: str,
        *,
        folder: str = "",
        units: Mapping[str, str] | None = None,
        door: str = "",
    ) -> Holder:
        """Return this process as a holder."""
        return cls(
            command=command,
            stand=stand,
            user=user_name(),
            since=datetime.now(UTC).isoformat(timespec="seconds"),
            process=Process.of(os.getpid()),
            boot=boot_id(),
            folder=folder,
            units=units or {},
            door=door,
        )

    def guarded_by(self, pid: int) -> Holder:
        """Return the holder with its guard."""
        return replace(self, guard=Process.of(pid))

    def about_to_end(self) -> Holder:
        """Return the holder that has heard that it is to end."""
        return replace(self, ending=True)

    def joined_by(self, members: Sequence[Holder]) -> Holder:
        """Return the owner with those for whom it holds the stand now."""
        units = {slot: serial for member in members for slot, serial in member.units.items()}
        return replace(self, members=tuple(members), units=units)

    @property
    def runs(self) -> tuple[Holder, ...]:
        """Those who work on the stand: the members of an owner, or the holder itself."""
        return self.members if self.door else (self,)

    @property
    def processes(self) -> tuple[Process, ...]:
        """The run and its guard."""
        return (self.process,) if self.guard is None else (self.process, self.guard)

    @property
    def is_of_now(self) -> bool:
        """Return whether one of its processes lives: a record outlives whoever wrote it."""
        return self.boot == boot_id() and any(process.lives for process in self.processes)

    @property
    def words(self) -> str:
        """Who it is, with which run, since when."""
        if self.members:
            return "; ".join(member.words for member in self.members)
        whom = f"hilseq {self.command} of {self.user} (process {self.process.pid})"
        if not self.process.lives:
            whom = f"the guard of {whom}, which has died: it switches off"
        units = "".join(f", {serial} in slot {slot}" for slot, serial in self.units.items())
        run = f", run {self.folder}" if self.folder else ""
        return f"{whom}{units}{run}, since {self.since.replace('T', ' ').replace('+00:00', ' UTC')}"

    def packed(self) -> bytes:
        """Return it as it is written."""
        return json.dumps(asdict(self)).encode()[:LONGEST]


def holder_in(data: bytes) -> Holder | None:
    """Return the holder that a record names; None for what no hilseq has written."""
    try:
        return _holder(json.loads(data))
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


def _holder(plain: dict[str, Any]) -> Holder:
    guard = plain["guard"]
    return Holder(
        **{name: _text(plain[name]) for name in ("command", "stand", "user", "since", "boot")},
        folder=_text(plain["folder"]),
        units={_text(slot): _text(serial) for slot, serial in plain["units"].items()},
        process=_process(plain["process"]),
        guard=None if guard is None else _process(guard),
        ending=plain["ending"] is True,
        door=_text(plain["door"]),
        members=tuple(_holder(member) for member in plain["members"]),
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(value)
    return "".join(c if c.isprintable() else "?" for c in value)[:_SHOWN]


def _process(value: dict[str, object]) -> Process:
    pid, started = value["pid"], value["started"]
    if not isinstance(pid, int) or not isinstance(started, str) or not 1 < pid < 2**31:
        raise TypeError(value)
    return Process(pid, started)


def user_name() -> str:
    """Return who runs this process; its number where it has no name."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user {os.getuid()}" if hasattr(os, "getuid") else "somebody"
