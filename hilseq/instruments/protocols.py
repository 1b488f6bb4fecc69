"""What procedures know of a power supply, of channels, of a unit's link and of a serial partner.

Each protocol is small and made of messages: a question and its answer, one snapshot, one write that is read back.
Whoever implements one derives from it and gets what is optional for nothing. All of them keep to this:

- Every exchange has a deadline, the `deadline` (s, wall time) of its entry in the stand file. Nothing is sent
  before the first call, and constructing a driver opens nothing.
- No answer in time, or a lost connection: InstrumentTimeout (of the unit's link: UnitSilent). An answer that
  cannot be understood: InvalidResponse (UnitInvalidResponse). An error that the far end reports: InstrumentError
  (UnitFault). What this computer cannot do: StandFault. No other exception leaves a driver for what happens on
  a wire, and a stand fault is never blamed on the unit. `hilseq.testing` has tests that show it.
- After a failure the next call begins afresh: a late answer is never taken for that to another question.
- Numbers are floats in the unit that is stated; no exchange sleeps beyond its deadline.
- One object may be used from several threads, one exchange at a time; `close` may come at any time, and the next
  call opens again.

An owner of a stand can stand between procedures and drivers, because nothing here hands out a socket, a session
or a buffer that is shared.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from enum import StrEnum
from types import TracebackType
from typing import Protocol, Self

from hilseq.description.registers import Register, RegisterTable
from hilseq.errors import NotPerformed, StandFault
from hilseq.instruments.link_tally import LinkTally


@dataclass(frozen=True, slots=True)
class Identification:
    """What an instrument says it is; a field that it does not know is empty."""

    maker: str
    model: str
    serial: str
    firmware: str

    def __str__(self) -> str:
        """Return the fields that are known, as one line."""
        return ", ".join(field for field in (self.maker, self.model, self.serial, self.firmware) if field)


class SupplySetting(StrEnum):
    """What can be programmed into a supply, with the unit of its value."""

    VOLTAGE = "voltage setting"  # V
    CURRENT_LIMIT = "current limit"  # A
    OVERVOLTAGE = "over-voltage protection"  # V
    WATCHDOG = "watchdog"  # s

    @property
    def unit(self) -> str:
        """Unit of the value."""
        return {SupplySetting.CURRENT_LIMIT: "A", SupplySetting.WATCHDOG: "s"}.get(self, "V")


@dataclass(frozen=True, slots=True)
class InrushRecord:
    """What a supply recorded by itself of the current since it was switched on; None for what it does not keep."""

    peak: float | None = None  # A
    charge: float | None = None  # C


class SupplyOutput(Protocol):
    """One output of a power supply, as its driver reaches it: it obeys commands, and decides nothing.

    Ceilings, order, waiting and reading back are the business of `PowerSupply`, the same for every driver.
    """

    #: For messages: `supply NAME`, and where it is reached.
    name: str
    where: str

    @abstractmethod
    def identify(self) -> Identification:
        """Ask what it is."""
        ...

    def forget_errors(self) -> list[str]:
        """Forget what it reported before; return the old reports in words."""
        return []

    def check_errors(self) -> list[str]:
        """Raise InstrumentError with what it has reported since; return in words what it reported that is no error."""
        return []

    def can_program(self, setting: SupplySetting) -> bool:
        """Return whether it has this setting; voltage and current limit it must have."""
        return setting in (SupplySetting.VOLTAGE, SupplySetting.CURRENT_LIMIT)

    @abstractmethod
    def program(self, setting: SupplySetting, value: float) -> None:
        """Program a setting, in its unit; the output keeps its state."""
        ...

    @abstractmethod
    def programmed(self, setting: SupplySetting) -> float | None:
        """Ask what a setting stands at; None where it cannot be asked."""
        ...

    @abstractmethod
    def switch(self, *, on: bool) -> None:
        """Switch the output on or off: one message, as short as it can be; the result is asked later."""
        ...

    @abstractmethod
    def is_on(self) -> bool | None:
        """Ask whether the output is on; None where that cannot be asked, and has to be measured."""
        ...

    def tripped(self) -> bool | None:
        """Ask whether a protection has switched the output off; None where that cannot be asked."""
        return None

    def reset_protection(self) -> None:
        """Reset a protection that has tripped; the output is off."""
        return  # nothing, where it is optional

    @abstractmethod
    def measure(self) -> tuple[float, float]:
        """Measure voltage (V) and current (A) of the output, now."""
        ...

    def measure_voltage(self) -> float:
        """Measure the voltage alone, V."""
        return self.measure()[0]

    def measure_current(self) -> float:
        """Measure the current alone, A."""
        return self.measure()[1]

    def resolution(self, value: float, unit: str) -> float:  # noqa: ARG002 - of those that know
        """Return the last digit of what it tells of such a value (V or A); 0 where that is not known."""
        return 0.0

    def ask_measurement(self) -> None:
        """Send the question of `measure`, so that others can be asked before its answer is waited for."""
        return  # nothing, where it is optional

    def answer_measurement(self) -> tuple[float, float]:
        """Return voltage (V) and current (A) after `ask_measurement`."""
        return self.measure()

    def arm(self) -> None:
        """Make ready to record what is drawn from the moment the output is switched on."""
        return  # nothing, where it is optional

    def recorded(self) -> InrushRecord | None:
        """Return what it kept since it was switched on; None when it keeps nothing."""
        return None

    @property
    def waveform_length(self) -> float | None:
        """Time that its record covers from the moment of switching on, s; None when it keeps none."""
        return None

    def waveform(self) -> tuple[float, list[float]] | None:
        """Return the interval (s) and the readings (A) of its record since `arm`; None when it keeps none."""
        return None

    def heartbeat(self, quiet: float) -> None:  # noqa: ARG002 - for those who have something to ask
        """Ask it something when it has not been spoken to for `quiet` s of real time; no matter what comes of it."""
        return  # nothing, where it is optional

    def late_answers(self) -> int:
        """Return how many answers came after their deadline and were waited for."""
        return 0

    def clear_watchdog(self) -> None:
        """End the watch that SupplySetting.WATCHDOG began; no matter what comes of it."""
        return  # nothing, where it is optional

    @abstractmethod
    def close(self) -> None:
        """Close the connection; nothing is switched."""
        ...


class SnapshotReader(Protocol):
    """One read of some values of a device: planned once, used at every sample.

    Several devices are asked at once: `ask` of each, then `take` of each until all have said True.
    `abandon` whatever happens in between, and hold the `lock` all the while.
    """

    @property
    @abstractmethod
    def lock(self) -> AbstractContextManager[object]:
        """Keeps other threads from the device; may be entered again by the thread that holds it."""
        ...

    @abstractmethod
    def ask(self) -> None:
        """Send the first question."""
        ...

    @abstractmethod
    def take(self, values: dict[str, float]) -> bool:
        """Put what one answer holds into `values`, send the next question; tell whether it was the last answer."""
        ...

    @abstractmethod
    def abandon(self) -> None:
        """Give up on an answer that is under way; nothing where none is."""
        ...

    @property
    @abstractmethod
    def exchanges(self) -> int:
        """Number of answers that the whole read takes."""
        ...

    @property
    @abstractmethod
    def line(self) -> object:
        """What devices share that cannot be asked at once: the same object for two on one serial line."""
        ...


class WholeReader:
    """The read of a driver that has no halves: everything is asked for and answered in `take`."""

    exchanges = 1
    lock: AbstractContextManager[object] = nullcontext()

    def __init__(self, values: NamedValues, names: Sequence[str]) -> None:
        self._values = values
        self._names = names

    def ask(self) -> None:
        """Nothing yet."""

    def take(self, values: dict[str, float]) -> bool:
        """Read everything. Raises StandFault where the driver leaves something out."""
        seen = self._values.snapshot(self._names)
        if missing := [name for name in self._names if name not in seen]:
            name, driver = getattr(self._values, "name", ""), type(self._values)
            raise StandFault(
                f"{name + ': ' if name else ''}`snapshot` of its driver ({driver.__module__}.{driver.__qualname__}) "
                f"lacks {', '.join(missing)}; expected every name that was asked for",
                place=name or None,
            )
        values.update(seen)
        return True

    def abandon(self) -> None:
        """Nothing is under way between two calls."""

    @property
    def line(self) -> object:
        """The device itself."""
        return self._values


class NamedValues(Protocol):
    """Named values of one device: read in one snapshot, written and read back."""

    @abstractmethod
    def snapshot(self, names: Iterable[str] | None = None) -> dict[str, float]:
        """Return the values of some names (all by default), as near to one moment as the device can."""
        ...

    def reader(self, names: Sequence[str]) -> SnapshotReader:
        """Return the planned read of some names."""
        return WholeReader(self, names)

    def read(self, name: str) -> float:
        """Return one value, in its unit."""
        return self.snapshot((name,))[name]

    def write(self, name: str, value: float) -> None:
        """Write one value and verify it by reading back."""
        self.write_many({name: value})

    @abstractmethod
    def write_many(self, values: Mapping[str, float]) -> None:
        """Write values, all of them before the first is read back; return once all hold.

        Raises StandFault (of a unit: UnitFault) naming what does not read back as written, or cannot hold the
        value; nothing has been sent in the second case.
        """
        ...

    @abstractmethod
    def forgotten(self, names: Collection[str]) -> list[str]:
        """Return in words which of these no longer hold what was last written to them; each is reported once."""
        ...


class Channels(NamedValues, Protocol):
    """The signals of one device of the stand, digital and analog, each a number in the unit of the stand file.

    A bit is 0.0 or 1.0.
    """

    #: For messages: `io NAME`, where it is reached, and the longest wait for one answer, s.
    name: str
    where: str
    deadline: float

    @abstractmethod
    def identify(self) -> Identification | None:
        """Ask what it is, or at least whether it answers: None where it cannot say."""
        ...

    def counted(self) -> LinkTally | None:
        """Return the outcome of its exchanges; None where they are not counted."""
        return None

    @abstractmethod
    def close(self) -> None:
        """Close the connection; nothing is switched."""
        ...


class UnitLink(Protocol):
    """The unit's own link: the registers of its profile, whatever carries them.

    The profile's map is one of words and bits in four tables; a link that is no Modbus translates them.
    """

    name: str
    deadline: float
    #: How many exchanges failed: no answer, a lost connection, or invalid data. Who counts anew sets it to 0.
    failures: int = 0
    #: How many requests were sent that may change something at the unit; None where nobody counts them.
    commands: int | None = None

    def counted(self) -> LinkTally | None:
        """Return the outcome of its exchanges; None where they are not counted."""
        return None

    def reachable(self) -> str:
        """Say what comes of opening its connection anew, such as `takes connections`; empty where nobody knows."""
        return ""

    @abstractmethod
    def read(self, register: Register) -> float:
        """Return the value of a register, in its unit."""
        ...

    @abstractmethod
    def write(self, register: Register, value: float, *, verify: bool = True) -> None:
        """Write a value in the register's unit, and read it back unless `verify` is false (for commands)."""
        ...

    @abstractmethod
    def read_block(self, table: RegisterTable, address: int, count: int, *, whole: int = 1) -> list[int]:
        """Return `count` bits or words from `address` on; each `whole` of them are of one moment."""
        ...

    @abstractmethod
    def write_block(
        self,
        table: RegisterTable,
        address: int,
        values: Sequence[int],
        *,
        verify: bool = False,
        again: bool = False,
    ) -> None:
        """Write bits or words from `address` on. `again`: they do no harm when they are written twice."""
        ...

    @abstractmethod
    def values(self, registers: Mapping[str, Register], *, between: Collection[Register] = ()) -> NamedValues:
        """Return registers by names of the caller's choice. A read may run over those `between`, which exist."""
        ...

    @abstractmethod
    def identification(self) -> dict[int, str]:
        """Return what it says it is, by number: 0 maker, 1 product, 2 revision."""
        ...

    def loopback(self, data: bytes) -> bytes:  # noqa: ARG002 - for links that have none
        """Send data there and return what comes back. Raises NotPerformed where the link has no such thing."""
        raise NotPerformed("the link of this unit has no loop-back")

    @abstractmethod
    def reconnect(self) -> None:
        """Give up a connection that the far end has forgotten, as after a power cycle."""
        ...

    @abstractmethod
    def close(self) -> None:
        """Close the connection; the next call opens it again."""
        ...


#: A few characters of many patterns, for traffic beside other things.
SHORT_FRAME = b"\x55\xaa\x0f\xf0\x00\xff\xa5\x5a"


@dataclass(frozen=True, slots=True)
class PortFrame:
    """What is sent over a port of the unit, and how many bits over the line a right answer proves."""

    data: bytes
    bits: int


class SerialPartner(Protocol):
    """The stand's side of one port of the unit, speaking as its partner there expects."""

    #: A frame of few characters, for traffic beside other things.
    short: PortFrame
    #: Characters that its protocol lets go over the line at once; 0 where only the profile can say.
    longest: int = 0

    @abstractmethod
    def frames(self) -> Iterator[PortFrame]:
        """Yield frames worth sending, without end: what breaks first, then pseudo-random ones."""
        ...

    @abstractmethod
    def open(self) -> None:
        """Open the port now. Raises StandFault, or UnitFault where the unit itself does not let one in."""
        ...

    @abstractmethod
    def ask(self, data: bytes) -> None:
        """Send a frame; the wait for its answer begins. Raises UnitFault, or StandFault for the stand's side."""
        ...

    @abstractmethod
    def answer(self) -> bytes:
        """Return what came back, right when it equals what was sent. Raises UnitSilent when nothing did."""
        ...

    def exchange(self, data: bytes) -> bytes:
        """Send a frame and return what came back."""
        self.ask(data)
        return self.answer()

    @abstractmethod
    def close(self) -> None:
        """Close the port."""
        ...

    def __enter__(self) -> Self:
        """Open the port."""
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the port."""
        self.close()
