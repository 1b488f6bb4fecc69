"""A frequency counter over SCPI (SCPI-1999, volume 2: MEASure:FREQuency?): each input is a signal in hertz."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from pydantic import Field

from hilseq import (
    Channels,
    ChannelsDriver,
    DriverAddress,
    Identification,
    InvalidResponse,
    Io,
    Signal,
    StandFault,
    Text,
    VisaSession,
)

#: Answers of a counter that measures nothing (SCPI-1999, 7.2.1.5) are at least so large.
_NOTHING = 9.9e37


class CounterIo(Io):
    """A frequency counter."""

    resource: Text = Field(description="VISA resource, such as TCPIP::192.0.2.60::5025::SOCKET")

    def addresses(self) -> tuple[DriverAddress, ...]:
        """Return its VISA resource."""
        return (DriverAddress("resource", self.resource),)


class CounterSignal(Signal):
    """One input of a counter."""

    channel: int = Field(ge=1, le=2, description="input of the counter, 1 or 2")


class Counter(Channels):
    """The inputs of one counter."""

    def __init__(self, name: str, io: CounterIo, signals: Mapping[str, CounterSignal]) -> None:
        self.name = f"io {name}"
        self.where = io.resource
        self.deadline = io.deadline
        self._inputs = {signal: described.channel for signal, described in signals.items()}
        self._session = VisaSession(io.resource, name=self.name, deadline=io.deadline)

    def identify(self) -> Identification:
        """Ask by *IDN?."""
        fields = [field.strip() for field in self._session.query("*IDN?").split(",")]
        maker, model, serial, firmware = (fields + [""] * 4)[:4]
        return Identification(maker, model, serial, firmware)

    def snapshot(self, names: Iterable[str] | None = None) -> dict[str, float]:
        """Measure one input after the other, Hz."""
        return {name: self._measured(name) for name in (self._inputs if names is None else names)}

    def _measured(self, name: str) -> float:
        answer = self._session.query(f"MEAS:FREQ? (@{self._inputs[name]})")
        try:
            hertz = float(answer)
        except ValueError:
            hertz = _NOTHING
        if not abs(hertz) < _NOTHING:
            self._session.mark_desynchronized()
            words = f"{self.name} ({self.where}) measured no frequency at {name}: {answer[:40]!r}"
            raise InvalidResponse(words, place=self.name)
        return hertz

    def write_many(self, values: Mapping[str, float]) -> None:
        """Refuse: a counter only measures."""
        raise StandFault(f"{self.name} measures {', '.join(values)} and writes nothing", place=self.name)

    def forgotten(self, names: Collection[str]) -> list[str]:  # noqa: ARG002 - nothing is ever written
        """Return nothing: nothing was written."""
        return []

    def close(self) -> None:
        """Close the session."""
        self._session.close()


class CounterDriver(ChannelsDriver):
    """Entry point `counter` of the group `hilseq.channels`."""

    description = CounterIo
    signal = CounterSignal

    def open(self, name: str, io: CounterIo, signals: Mapping[str, CounterSignal]) -> Channels:
        """Return the inputs of one counter."""
        return Counter(name, io, signals)
