"""The stand's signatures on the journal of a run that grows, and their way to the records, their witness.

A thread waits for the database, never the run.
"""

from __future__ import annotations

from collections import deque
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from hilseq.errors import HilseqError, fenced
from hilseq.journal.run_state import RunState
from hilseq.journal.seals import look_for_damage
from hilseq.journal.signatures import Signer
from hilseq.journal.writer import JournalWriter
from hilseq.plugin.other_runs import has_records
from hilseq.reports.summary_code import summary_text
from hilseq.signing import stand_key

if TYPE_CHECKING:
    from hilseq.journal.signatures import SignedHead

#: Between two signatures of a journal that grows, s of the run's clock.
SIGNED_EVERY = 60.0
#: Longest wait at the end of a run, s. What is not there by then comes with the journal.
PATIENCE = 2.0


class JournalSigning:
    """Has the stand sign a journal now and then. A stand without a key leaves a run that nobody has signed."""

    def __init__(self) -> None:
        self._signer: Signer | None = None
        #: Whether the stand has no key that works.
        self._unsigned = False
        self._signed_at = 0.0
        self._sender: HeadSender | None = None

    def is_due(self, time: float) -> bool:
        """Return whether the next signature is due at a time of the run's clock, s."""
        return time - self._signed_at >= SIGNED_EVERY

    def sign(self, journal: JournalWriter, state: RunState, folder: Path, *, final: bool) -> None:
        """Have the stand sign the journal as it is now, the last time with the result of each unit."""
        self._signed_at = state.last
        if self._unsigned and not final:
            return
        self._unsigned = True  # reported once, and once more at the end, unless what follows comes to its end
        with fenced("the run is not signed"):
            self._signer = self._signer or Signer(folder, state.stand, state.run, stand_key(state.stand))
            self._signer.folder = folder
            journal.sync()  # a signature of what a power cut can take would contradict the journal
            head = self._signer.head(journal.lines, journal.chain, final=final)
            self._sender = self._sender or HeadSender(journal.first)
            self._sender.send(head, folder.parent)
            if final:
                state.chain = journal.chain
                for unit in look_for_damage(state, folder).units:
                    self._signer.summary(unit.slot, summary_text(state, unit))
            self._unsigned = False

    def finish(self) -> None:
        """Wait a moment for what is under way to the records."""
        if self._sender is not None:
            self._sender.finish()


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
