"""The signals of the stand by name: one bank over all devices that hold them.

Knows which device holds which signal, how sure its reading is, and what its safe state is. Must not
know what a signal means to a unit: a terminal is a name here.

For one snapshot of several devices all are asked before the first is listened to, each answers in its own time.

Knows which devices share a line and are asked one after the other. Must not know what they are.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, nullcontext
from typing import Literal

from hilseq.analysis.uncertainty import Term, combine
from hilseq.clock import Clock
from hilseq.deadlines import try_until
from hilseq.description.accuracy import InstrumentConditions, certified_signal, signal_terms
from hilseq.description.calibration import Calibration
from hilseq.description.stand import Signal
from hilseq.errors import HilseqError, InstrumentReset, InstrumentTimeout, NotPerformed, NotSafe, StandFault
from hilseq.instruments.protocols import Channels, SnapshotReader
from hilseq.measured import Measured
from hilseq.quantities import QuantityError, dimension_of


class Snapshot:
    """Some values of some devices as often as they are wanted: who is asked, and in which order, is worked out once."""

    def __init__(self, readers: Sequence[SnapshotReader], names: Iterable[str]) -> None:
        self._readers = tuple(readers)
        self._names = tuple(names)
        self._lines: dict[int, list[SnapshotReader]] = {}
        for reader in readers:
            self._lines.setdefault(id(reader.line), []).append(reader)

    def take(self) -> dict[str, float]:
        """Return the values, in the order of the names.

        Raises what the first device that does not do its part raises; whatever was asked is given up then.
        """
        if len(self._readers) == 1:
            with self._readers[0].lock:
                return self._taken()
        with ExitStack() as locks:
            for reader in self._readers:
                locks.enter_context(reader.lock)
            return self._taken()

    def _taken(self) -> dict[str, float]:
        values: dict[str, float] = {}
        try:
            for queue in self._lines.values():
                queue[0].ask()
            waiting = [list(queue) for queue in self._lines.values()]
            while waiting:
                for queue in waiting:
                    if queue[0].take(values):
                        del queue[0]
                        if queue:
                            queue[0].ask()
                waiting = [queue for queue in waiting if queue]
        except BaseException:
            for reader in self._readers:
                reader.abandon()
            raise
        return {name: values[name] for name in self._names}


Direction = Literal["drives", "senses"]
#: `digital` is one bit, `analog` everything else, the others are dimensions of hilseq.quantities.
SignalKind = Literal["digital", "analog", "voltage", "current", "resistance", "temperature"]

#: Pause between two attempts to release, seconds.
_PAUSE = 0.05


def budget(name: str, signal: Signal, value: float) -> list[Term]:
    """Return the terms of a reading of `signal` in the uncertainty, in its unit (`description.accuracy.signal_terms`).

    Raises StandFault when the accuracy does not fit the unit.
    """
    try:
        return signal_terms(name, signal, value)
    except QuantityError as error:
        raise StandFault(f"the accuracy of a signal in {signal.unit or 'plain numbers'}: {error}") from error


class SignalBank:
    """All signals of a stand.

    `channels` are the devices that hold them, by the names of `io`; `calibrations` what is known of their
    calibrations, `conditions` what has become of them since; `alone` keeps what serves several slots from other visits
    for a while, and each `exclusive` part as long as one of its signals is not at rest. Every call raises
    InstrumentTimeout, InvalidResponse or InstrumentError when a device does not do its part; an unknown name is a
    StandFault that says which names there are.
    """

    def __init__(
        self,
        signals: Mapping[str, Signal],
        channels: Mapping[str, Channels],
        clock: Clock,
        *,
        conditions: InstrumentConditions | None = None,
        calibrations: Mapping[str, Calibration | None] | None = None,
        alone: Callable[[str], AbstractContextManager[object]] = nullcontext,
        exclusive: Mapping[str, Collection[str]] | None = None,
    ) -> None:
        self._exclusive = exclusive or {}
        self._kept: dict[str, ExitStack] = {}  # the exclusive parts that are ours now
        self._away: dict[str, set[str]] = {}  # by such a part, its signals that are not at rest
        #: Whether other visits may use the same devices meanwhile.
        self.has_neighbours = alone is not nullcontext
        self._alone = alone
        #: How often drives were written.
        self.writes = 0
        self.signals = dict(signals)
        self._channels = channels
        #: By I/O simulator, how old its reads may be, s: as measured, or else as the stand file says.
        self.scan_times: dict[str, float] = {}
        self._clock = clock
        self._conditions = conditions or InstrumentConditions(clock)
        self._calibrations = calibrations or {}
        for name, signal in self.signals.items():
            if signal.io not in channels:
                known = ", ".join(channels) or "none"
                raise StandFault(f"signal {name} belongs to io {signal.io!r}; this stand has: {known}")
        self._choices: dict[tuple[str, ...], list[SnapshotReader]] = {}
        self._snapshots: dict[tuple[str, ...], Snapshot] = {}

    # -- reading

    def snapshot(self, names: Iterable[str] | None = None) -> dict[str, float]:
        """Return the values of some signals (all by default), each in its unit, in the fewest requests.

        Several devices are asked at once.
        """
        key = tuple(self.signals if names is None else names)
        if key not in self._snapshots:
            self._snapshots[key] = Snapshot(self.readers(key), key)
        return self._snapshots[key].take()

    def lag(self, names: Iterable[str]) -> float:
        """Return how much later than their terminals these signals may show them, s: scan and sensor together."""
        mine = self._by_device(tuple(names))
        lags = [self.signals[name].lag or 0.0 for _, listed in mine for name in listed]
        scans = [self.scan_times.get(self.signals[listed[0]].io, 0.0) for _, listed in mine]
        return max(scans, default=0.0) + max(lags, default=0.0)

    def drive_lag(self, names: Iterable[str]) -> float:
        """Return how much later than they were written the terminals of these drives may have it, s.

        Their own settling, or the scan of their device where that takes longer: many pass on what they were sent once a
        scan. Measured through a loop-back, the scan has the travel of the drive in it.
        """
        return max(
            (
                max(self.signals[name].settle, self.scan_times.get(self.signals[name].io, 0.0))
                for name in names
            ),
            default=0.0,
        )

    def fresh(self, names: Iterable[str]) -> dict[str, float]:
        """Return a snapshot of some signals that shows what is at their terminals now: their lag is waited for.

        Whatever is judged on one look is looked at so; `snapshot` looks at once and may show the past.
        """
        wanted = tuple(names)
        self._clock.sleep(self.lag(wanted))
        return self.snapshot(wanted)

    def readers(self, names: Iterable[str]) -> list[SnapshotReader]:
        """Return the planned reads of these signals, one for each device, to be made together with others."""
        key = tuple(names)
        if key not in self._choices:
            self._choices[key] = [channels.reader(mine) for channels, mine in self._by_device(key)]
        return self._choices[key]

    def deadlines(self, names: Iterable[str]) -> list[float]:
        """Return how long the devices of these signals may take for one answer, s."""
        return [channels.deadline for channels, _ in self._by_device(tuple(names))]

    def read(self, name: str) -> float:
        """Return the value of one signal, in its unit, as it is now: its lag is waited for."""
        return self.fresh((name,))[name]

    def measure(self, name: str) -> Measured:
        """Return the value of one signal with its standard uncertainty, both in its unit."""
        return self.measure_many((name,))[name]

    def measure_many(self, names: Iterable[str]) -> dict[str, Measured]:
        """Return several signals, read together, with their standard uncertainties, each in its unit.

        They show what is at their terminals now: their lag is waited for.
        """
        values = self.fresh(names)
        return {name: self._measured(name, value) for name, value in values.items()}

    def _measured(self, name: str, value: float) -> Measured:
        """Return a value as a reading: corrected, and known as well as its certificate says, where that has points."""
        signal, terms = self.signals[name], self.terms(name, value)
        certified = certified_signal(name, signal, value)
        if certified is not None:
            terms = [certified.term, *(term for term in terms if term.shared != name)]
            value += certified.correction
        return Measured.of(value, signal.unit, *terms)

    def uncertainty(self, name: str, value: float) -> float:
        """Return the standard uncertainty of a signal, read or driven at `value`, not corrected, in its unit.

        With what age and temperature add since the calibration, where the stand file says how much.
        """
        return combine(term.value for term in self.terms(name, value))

    def terms(self, name: str, value: float) -> list[Term]:
        """Return what that is made of, each in the unit of the signal."""
        self._device(name)
        signal = self.signals[name]
        calibration = signal.calibration or self._calibrations.get(signal.io)
        gained = self._conditions.uncertainty(calibration, value)
        terms = budget(name, signal, value)
        if gained:
            since = "age and temperature since the calibration"
            terms.append(Term(since, gained, "rectangular", source="stand file: calibration"))
        return terms

    # -- writing

    def write(self, name: str, value: float) -> None:
        """Write one signal, verify it by reading back and let its terminal settle."""
        self.write_many({name: value})

    def write_many(self, values: Mapping[str, float], *, settle: bool = True) -> None:
        """Write signals, verify them by reading back and, unless stated otherwise, let the terminals settle.

        Adjacent addresses go in one request. No order is promised: where it matters, call twice. Raises
        StandFault when a signal is sensed, does not hold the value, or does not read back as written.
        """
        for name in values:
            if name in self.signals and self.signals[name].senses is not None:
                raise StandFault(f"signal {name} senses {self.signals[name].senses} and is never written")
        self.writes += 1
        self._keep(values)
        for channels, mine in self._by_device(values):
            channels.write_many({name: values[name] for name in mine})
        self._let_go(values)
        if settle:
            self._clock.sleep(self.drive_lag(values))

    def check_drives(self, names: Iterable[str]) -> None:
        """Raise InstrumentReset when drives no longer hold what was last written to them.

        An I/O simulator forgets when it was without mains for a moment, and many let go by their own watchdog when
        they were not spoken to for a while. What the unit did meanwhile says nothing about it.
        """
        for channels, mine in self._by_device(tuple(names)):
            lost = channels.forgotten(mine)
            if lost:
                raise InstrumentReset(
                    f"{channels.name} ({channels.where}) has let go of what it drove ({'; '.join(lost)}): it "
                    "was without mains for a moment, its own watchdog acted, or somebody else has written to it; look "
                    "at its plug, its mains and the time of its watchdog, and who else uses it",
                    place=channels.name,
                )

    def _keep(self, values: Mapping[str, float]) -> None:
        """Keep others from the exclusive parts that are about to leave rest."""
        for part, names in self._exclusive.items():
            leaving = {
                name for name in names if name in values and values[name] != self.signals[name].safe_value
            }
            if leaving and part not in self._kept:
                kept = ExitStack()
                kept.enter_context(self._alone(part))
                self._kept[part], self._away[part] = kept, set()
            if leaving:
                self._away[part] |= leaving

    def _let_go(self, values: Mapping[str, float]) -> None:
        """Let others have the exclusive parts that are all at rest again."""
        for part in list(self._kept):
            self._away[part] -= {
                n for n in values if n in self.signals and values[n] == self.signals[n].safe_value
            }
            if not self._away[part]:
                del self._away[part]
                self._kept.pop(part).close()

    def alone_with(self, drives: Iterable[str]) -> AbstractContextManager[object]:
        """Keep other visits from drives that serve no slot alone, such as spare paths, while they are used."""
        if any(self.signals[name].drives is None for name in drives):
            return self._alone("spare paths")
        return nullcontext()

    # -- leaving

    def release(self, names: Iterable[str] | None = None, *, within: float | None = None) -> None:
        """Bring drives (all by default) to their value at rest and verify it. Raises NotSafe.

        One that refuses does not keep the others: each is tried, again and again for `within` seconds of
        real time (default: three deadlines of its I/O simulator and a second).
        """
        self.writes += 1
        wanted = set(self.signals if names is None else names)
        drives = [
            name for name, signal in self.signals.items() if signal.drives is not None and name in wanted
        ]
        reasons: list[str] = []
        cause: HilseqError | None = None
        for channels, mine in self._by_device(drives):
            patience = 3 * channels.deadline + 1.0 if within is None else within
            failure = self._release(
                channels, {name: self.signals[name].safe_value for name in mine}, patience
            )
            if failure is None:
                self._let_go({name: self.signals[name].safe_value for name in mine})
            else:
                reasons.append(str(failure))
                cause = cause or failure
        if reasons:
            raise NotSafe("drives could not be released for certain: " + "; ".join(reasons)) from cause

    def _release(self, channels: Channels, rest: dict[str, float], patience: float) -> HilseqError | None:
        left = dict(rest)

        def attempt() -> HilseqError | None:
            try:
                channels.write_many(left)
            except InstrumentTimeout as silent:
                return silent
            except HilseqError as failure:
                # Something answers: what can be released is released, one by one.
                for name in [name for name, value in left.items() if self._released(channels, name, value)]:
                    del left[name]
                return failure if left else None
            return None

        return try_until(attempt, until=time.monotonic() + patience, pause=_PAUSE)

    @staticmethod
    def _released(channels: Channels, name: str, value: float) -> bool:
        try:
            channels.write(name, value)
        except HilseqError:
            return False
        return True

    # -- finding

    def maybe_for_terminal(
        self, terminal: str, direction: Direction, kind: SignalKind | None = None
    ) -> str | None:
        """Return the first signal of the stand file that drives or senses a terminal (SLOT.TERMINAL).

        `kind` narrows the choice where a terminal has a bit and a voltage. None when there is none.
        """
        for name, signal in self.signals.items():
            if getattr(signal, direction) == terminal and _is_kind(signal, kind):
                return name
        return None

    def for_terminal(self, terminal: str, direction: Direction, kind: SignalKind | None = None) -> str:
        """Return the same, or raise NotPerformed: this stand has nothing to do it with."""
        name = self.maybe_for_terminal(terminal, direction, kind)
        if name is None:
            what = f"{kind} signal" if kind else "signal"
            raise NotPerformed(f"no {what} of this stand {direction} {terminal}")
        return name

    # -- inside

    def _device(self, name: str) -> Channels:
        signal = self.signals.get(name)
        if signal is None:
            raise StandFault(f"this stand has no signal {name!r}; it has: {', '.join(sorted(self.signals))}")
        return self._channels[signal.io]

    def _by_device(self, names: Collection[str]) -> list[tuple[Channels, tuple[str, ...]]]:
        mine: dict[str, list[str]] = {}
        for name in names:
            self._device(name)
            mine.setdefault(self.signals[name].io, []).append(name)
        return [(self._channels[io], tuple(listed)) for io, listed in mine.items()]


def _is_kind(signal: Signal, kind: SignalKind | None) -> bool:
    if kind is None:
        return True
    if kind in ("digital", "analog"):
        return signal.is_bit == (kind == "digital")
    return not signal.is_bit and bool(signal.unit) and dimension_of(signal.unit) == kind
