"""Waiting for a lost instrument: safe or held meanwhile, tried again with bounded back-off, for so long."""

from __future__ import annotations

from hilseq.clock import Clock
from hilseq.errors import (
    HilseqError,
    InstrumentError,
    InstrumentReset,
    InstrumentTimeout,
    Interlock,
    InvalidResponse,
    NotSafe,
    StandFault,
    WrongInstrument,
)
from hilseq.procedures.bench import Bench
from hilseq.procedures.unit import Unit
from hilseq.quantities import show_duration

#: Pauses between two attempts to reach a lost instrument, s of the clock.
FIRST_PAUSE, LONGEST_PAUSE = 1.0, 30.0
#: Faults that waiting may mend.
LOST = (InstrumentTimeout, InvalidResponse, InstrumentError, InstrumentReset)


def make_safe(bench: Bench, slot: str) -> str:
    """Make a slot safe; return why that could not be verified, or an empty text."""
    try:
        bench.make_safe(slot)
    except NotSafe as error:
        return str(error)
    return ""


class Recovery:
    """Brings back the instruments of one slot. `signals` are those that must be read again."""

    def __init__(self, bench: Bench, unit: Unit, signals: tuple[str, ...]) -> None:
        self._bench = bench
        self._unit = unit
        self._signals = signals
        self._clock: Clock = bench.clock
        self._unsafe = ""
        self._supply_off = True

    @property
    def policy(self) -> str:
        """What the stand file says of lost instruments: `make safe` or `hold`."""
        return self._bench.stand.safety.lost_instrument

    def wait(self, fault: StandFault) -> None:
        """Make safe or hold, then try until every instrument is back.

        Raises StandFault, with the slot as safe as can be, when that takes longer than the stand file's
        patience, and at once for what waiting does not mend.
        """
        hold, patience = self.policy == "hold", self._bench.stand.safety.reconnect_timeout
        self._unsafe = "" if hold else make_safe(self._bench, self._unit.slot)
        self._supply_off = not self._unsafe
        until, pause = self._clock.now() + patience, FIRST_PAUSE
        reason: HilseqError = fault
        while self._clock.now() < until:
            self._clock.sleep(pause)
            pause = min(2 * pause, LONGEST_PAUSE)
            try:
                self._attempt(hold=hold)
            except (Interlock, WrongInstrument):
                make_safe(self._bench, self._unit.slot)
                raise
            except StandFault as again:
                reason = again
                self._clock.account_wait(self._unit.supply.instrument.description.deadline)
            else:
                return
        unsafe = make_safe(self._bench, self._unit.slot)
        raise StandFault(
            f"{reason}; it did not come back within {show_duration(patience)}"
            + (f"; {unsafe}" if unsafe else ""),
            place=fault.places[0] if fault.places else None,
        )

    def _attempt(self, *, hold: bool) -> None:
        """Ask every instrument whether it is there, and is as it was left. Raises StandFault."""
        supply = self._unit.supply.instrument
        supply.identify()
        if not self._supply_off:
            # The one thing that must not wait for the others.
            supply.make_safe()
            self._supply_off = True
        if hold and not supply.is_on():
            # It was rebooted meanwhile: nothing of what was set can be counted on.
            self._unit.supply.powered_since = None
        self._bench.signals.snapshot(self._signals)
        if self._unsafe:
            self._unsafe = make_safe(self._bench, self._unit.slot)
            if self._unsafe:
                raise NotSafe(self._unsafe)
