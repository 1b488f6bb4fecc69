"""The soak in a visit: the fixture, and the recorder that writes journal and sample file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from typing import Any

import pytest

from hilseq.errors import NotPerformed
from hilseq.journal import kinds
from hilseq.journal.samples import SampleWriter, file_name
from hilseq.plugin.hooks import CHECK
from hilseq.plugin.visit_run import VisitRun
from hilseq.procedures.bench import Bench
from hilseq.procedures.soak.events import SoakOutcome
from hilseq.procedures.soak.record import Column
from hilseq.procedures.soak.run import SoakRun
from hilseq.procedures.unit import Unit

#: Has the soak of the plan done, or the rest of one that was interrupted.
RunSoak = Callable[[], SoakOutcome]


class JournalRecorder:
    """Keeps one soak in the journal of the run and in the sample file of its slot."""

    def __init__(self, run: VisitRun, slot: str, check: str) -> None:
        self._run = run
        self._slot = slot
        self._check = check
        self._samples: SampleWriter | None = None

    def _note(self, kind: str, **fields: Any) -> None:
        self.secure()
        self._run.note(kind, slot=self._slot, **fields)

    def _open(self, columns: Sequence[Column], *, resume: bool) -> None:
        path = self._run.folder / file_name(self._slot)
        with self._run.on_disk():
            self._samples = SampleWriter(path, [column.name for column in columns], resume=resume)

    def begin(self, columns: Sequence[Column], fields: Mapping[str, Any]) -> None:
        """See Recorder."""
        self._open(columns, resume=False)
        self._note(
            kinds.SOAK_STARTED,
            check=self._check,
            file=file_name(self._slot),
            columns=[asdict(column) for column in columns],
            **fields,
        )

    def resume(self, columns: Sequence[Column]) -> None:
        """See Recorder."""
        self._open(columns, resume=True)

    def sample(self, at: float, values: Sequence[float]) -> None:
        """See Recorder."""
        try:
            self._samples.append(at, values)  # type: ignore[union-attr]
        except OSError as error:
            self._run.disk_failed(error)

    def secure(self) -> None:
        """See Recorder."""
        if self._samples is not None:
            with self._run.on_disk():
                self._samples.sync()

    def event(self, fields: Mapping[str, Any]) -> None:
        """See Recorder."""
        self._note(kinds.SOAK_EVENT, **fields)

    def note(self, what: str, text: str) -> None:
        """See Recorder."""
        self._note(kinds.EVENT, what=what, text=text)

    def gap(self, fields: Mapping[str, Any]) -> None:
        """See Recorder."""
        self._note(kinds.SOAK_GAP, **fields)

    def faults(self, when: str, entries: Sequence[Mapping[str, Any]]) -> None:
        """See Recorder."""
        self._note(kinds.FAULTS, when=when, entries=list(entries))

    def burst(self, name: str, columns: Sequence[str], rows: Sequence[Sequence[float | None]]) -> None:
        """See Recorder."""
        self._note(kinds.TABLE, check=self._check, name=name, columns=["time (s)", *columns], rows=list(rows))

    def seal(self, ports: Mapping[str, Mapping[str, Any]]) -> None:
        """See Recorder."""
        if self._samples is not None:
            with self._run.on_disk():
                sealed = self._samples.seal()
            self._run.note(kinds.SAMPLES_SEALED, slot=self._slot, **sealed, ports=ports)

    def end(self, fields: Mapping[str, Any]) -> None:
        """See Recorder."""
        self.seal(fields["ports"])
        self._note(kinds.SOAK_ENDED, **fields)
        self.close()

    def progress(self, fields: Mapping[str, Any]) -> None:
        """See Recorder."""
        self._run.show(kinds.SOAK_PROGRESS, {"slot": self._slot, **fields})

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
        return SoakRun(bench, ready_unit, plan, recorder, duration=duration, state=state).run()

    try:
        yield run
    finally:
        recorder.close()
