"""Handing the signed heads of a run to the records while it runs: a thread waits for the database, never the run."""

from __future__ import annotations

from collections import deque
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from hilseq.errors import HilseqError, fenced
from hilseq.plugin.other_runs import has_records

if TYPE_CHECKING:
    from hilseq.journal.signatures import SignedHead

#: Longest wait at the end of a run, s. What is not there by then comes with the journal.
PATIENCE = 2.0


class HeadSender:
    """Sends the heads of one run; `run_key` is the chain value of the first line of its journal.

    Records that cannot be had are reported once: their heads come with the next one, or with the whole journal.
    """

    def __init__(self, run_key: str) -> None:
        self._run_key = run_key
        self._waiting: deque[SignedHead] = deque()
        self._thread: Thread | None = None
        self._failure = ""

    def send(self, head: SignedHead, runs: Path) -> None:
        """Send a head to the records of a folder of runs, where there are any."""
        if not has_records(runs):
            return
        self._waiting.append(head)
        if self._thread is None or not self._thread.is_alive():
            self._thread = Thread(target=self._send, args=(runs,), name="hilseq-heads", daemon=True)
            self._thread.start()

    def finish(self) -> None:
        """Wait a moment for what is under way."""
        if self._thread is not None:
            self._thread.join(PATIENCE)

    def _send(self, runs: Path) -> None:
        with fenced("the records do not witness this run yet"):
            try:
                while self._waiting:
                    heads = list(self._waiting)
                    self._keep(heads, runs)
                    for _ in heads:
                        self._waiting.popleft()
            except HilseqError as error:
                before, self._failure = self._failure, str(error)
                if before != self._failure:
                    raise

    def _keep(self, heads: list[SignedHead], runs: Path) -> None:
        try:
            from hilseq.records.database import open_database
            from hilseq.records.heads import keep_heads
        except ImportError:  # reported at the end, by what imports the run
            return
        with open_database(runs=runs) as database:
            keep_heads(database, self._run_key, heads)
