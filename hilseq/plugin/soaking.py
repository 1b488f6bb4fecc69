"""The soak in a visit: the fixture, and the recorder that writes journal and sample file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress

import pytest

from hilseq.errors import NotPerformed
from hilseq.journal.entries import EventLogged, FaultsRead, JournalEntry, StoredFault, TableKept
from hilseq.journal.samples import SampleWriter, file_name
from hilseq.journal.soak_entries import (
    PortTally,
    SamplesMissed,
    SoakColumn,
    SoakEnded,
    SoakEventLogged,
    SoakGap,
    SoakStarted,
    SoakStatus,
)
from hilseq.plugin.planned import CHECK
from hilseq.plugin.visit_run import VisitRun
from hilseq.procedures.bench import Bench
from hilseq.procedures.soak.events import SoakOutcome
from hilseq.procedures.soak.run import SoakRun
from hilseq.procedures.unit import Unit

#: Has the soak of the plan done, or the rest of one that was interrupted.
RunSoak = Callable[[], SoakOutcome]


class JournalRecorder:
    """Keeps one soak in the journal of the run and in the sample file of its slot."""

    def __init__(self, run: VisitRun, slot: str, check: str) -> None:
        self._run = run
        self.slot = slot
        self.check = check
        self.file = file_name(slot)
        self._samples: SampleWriter | None = None

    def _note(self, entry: JournalEntry) -> None:
        self.secure()
        self._run.note(entry)

    def _open(self, columns: Sequence[SoakColumn], *, resume: bool) -> None:
        path = self._run.folder / self.file
        with self._run.on_disk():
            self._samples = SampleWriter(path, [column.name for column in columns], resume=resume)

    def begin(self, started: SoakStarted) -> None:
        """See Recorder."""
        self._open(started.columns, resume=False)
        self._note(started)

    def resume(self, columns: Sequence[SoakColumn]) -> None:
        """See Recorder."""
        self._open(columns, resume=True)

    def sample(self, at: float, values: Sequence[float]) -> None:
        """See Recorder."""
        self._run.follow_folder()
        try:
            self._samples.append(at, values)  # type: ignore[union-attr]
        except OSError as error:
            self._run.disk_failed(error)

    def secure(self) -> None:
        """Put the samples so far on the disk."""
        if self._samples is not None:
            with self._run.on_disk():
                self._samples.sync()

    def event(self, event: SoakEventLogged) -> None:
        """See Recorder."""
        self._note(event)

    def note(self, what: str, text: str) -> None:
        """See Recorder."""
        self._note(EventLogged(slot=self.slot, what=what, text=text))

    def missed(self, count: int) -> None:
        """See Recorder."""
        self._note(SamplesMissed(slot=self.slot, count=count))

    def gap(self, gap: SoakGap) -> None:
        """See Recorder."""
        self._note(gap)

    def faults(self, when: str, stored: Sequence[StoredFault]) -> None:
        """See Recorder."""
        self._note(FaultsRead(slot=self.slot, when=when, entries=tuple(stored)))

    def burst(self, name: str, columns: Sequence[str], rows: Sequence[Sequence[float | None]]) -> None:
        """See Recorder."""
        self._note(
            TableKept(
                check=self.check,
                slot=self.slot,
                name=name,
                columns=("time (s)", *columns),
                rows=tuple(tuple(row) for row in rows),
            )
        )

    def seal(self, ports: dict[str, PortTally]) -> None:
        """See Recorder."""
        if self._samples is not None:
            with self._run.on_disk():
                sealed = self._samples.seal(self.slot, ports)
            self._run.note(sealed)

    def end(self, ended: SoakEnded) -> None:
        """See Recorder."""
        self.seal(ended.ports)
        self._note(ended)
        self.close()

    def progress(self, progress: SoakStatus) -> None:
        """See Recorder."""
        self._run.show(progress)

    def close(self) -> None:
        """Close the sample file; what can still be written is."""
        if self._samples is not None:
            with suppress(OSError):
                self._samples.close()
            self._samples = None


@pytest.fixture
def soak(
    request: pytest.FixtureRequest, visit_run: VisitRun, bench: Bench, ready_unit: Unit
) -> Iterator[RunSoak]:
    """The soak of the plan, or the rest of one that was interrupted; call it to have it done."""
    plan = ready_unit.profile.soak
    if plan is None:
        raise NotPerformed("the profile has no soak plan")
    recorder = JournalRecorder(visit_run, ready_unit.slot, request.node.stash[CHECK].id)
    state = visit_run.soak_state(ready_unit.slot)

    def run() -> SoakOutcome:
        duration = visit_run.options.soak_duration
        outcome = SoakRun(bench, ready_unit, plan, recorder, duration=duration, state=state).run()
        ready_unit.accept_starts()
        return outcome

    try:
        yield run
    finally:
        recorder.close()
