"""Holding a stand across computers: advisory locks in the PostgreSQL database that keeps the records.

They end with the connection that took them. A stand needs nothing but its own computer: where the database cannot
be reached it is held there alone, and the caller is informed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

from hilseq.errors import HilseqError, StandInUse
from hilseq.records.database import ENVIRONMENT, RecordsUnreachable, address

if TYPE_CHECKING:
    import psycopg

#: Longest wait for the database, s.
_PATIENCE = 5
#: A holder whose computer died is found within about a minute (PostgreSQL 17 documentation, 19.3.2).
_OPTIONS = "-c tcp_keepalives_idle=30 -c tcp_keepalives_interval=10 -c tcp_keepalives_count=3"
#: PostgreSQL cuts the name of an application (NAMEDATALEN, 64 with its end).
_NAME = 63
_TAKE = "SELECT pg_try_advisory_lock(%s)"
#: A key of 64 bits stands in two columns (PostgreSQL 17 documentation, 52.12, pg_locks).
_HOLDER = """
SELECT a.application_name, coalesce(host(a.client_addr), 'this computer'), a.backend_start
FROM pg_locks l JOIN pg_stat_activity a USING (pid)
WHERE l.locktype = 'advisory' AND l.granted AND l.objsubid = 1
  AND ((l.classid::bigint << 32) | l.objid::bigint) = %s
"""


def is_kept_together() -> bool:
    """Return whether the records are named, and lie in a database that several computers share."""
    return bool(os.environ.get(ENVIRONMENT)) and address().drivername.startswith("postgresql")


def hold_together(addresses: Sequence[tuple[str, str]], by: str) -> tuple[StandLock | None, str]:
    """Hold each (part, address) across computers, where several share the records.

    Returns what holds them, and in words why they are held on this computer alone although they were to be held on
    all. Raises StandInUse.
    """
    try:
        if not addresses or not is_kept_together():
            return None, ""
        lock = StandLock(by)
        lock.take(addresses)
    except StandInUse:
        raise
    except HilseqError as error:
        return None, f"{error}; on this computer it is"
    return lock, ""


class StandLock:
    """The instruments at some addresses, held in the records' database by `name` until `close`."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._connection: psycopg.Connection | None = None

    def take(self, addresses: Iterable[tuple[str, str]]) -> None:
        """Hold each (part, address). Raises StandInUse with who holds one already, RecordsUnreachable."""
        import psycopg

        where = address().set(drivername="postgresql").render_as_string(hide_password=False)
        try:
            self._connection = psycopg.connect(
                where,
                autocommit=True,
                connect_timeout=_PATIENCE,
                application_name=self._name[:_NAME],
                options=_OPTIONS,
            )
            for part, at in addresses:
                self._take(self._connection, part, at)
        except psycopg.Error as error:
            self.close()
            raise RecordsUnreachable(
                f"the records' database cannot hold the stand: {str(error).strip()}"
            ) from error
        except StandInUse:
            self.close()
            raise

    @staticmethod
    def _take(connection: psycopg.Connection, part: str, at: str) -> None:
        key = int.from_bytes(hashlib.sha256(f"hilseq stand {at}".encode()).digest()[:8], "big", signed=True)
        taken = connection.execute(_TAKE, (key,)).fetchone()
        if taken is not None and taken[0]:
            return
        holder = connection.execute(_HOLDER, (key,)).fetchone()
        whom = "another computer"
        if holder is not None:
            name, host, since = holder
            whom = f"{name} (on {host}), since {since:%Y-%m-%d %H:%M:%S %Z}"
        raise StandInUse(
            f"{part} ({at}) is in use by {whom}, as the records' database says. Wait for its end"
        )

    def close(self) -> None:
        """Release it."""
        if self._connection is not None:
            with suppress(Exception):
                self._connection.close()
            self._connection = None
