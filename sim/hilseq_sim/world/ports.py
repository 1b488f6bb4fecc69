"""Serial ports: who answers, and what the line does to the bytes.

Each bit of a character is wrong with the bit error ratio. A receiver samples each bit in its middle, counted
from the start bit: with a clock error e the last of n bits is sampled e (n - 1/2) bit times off, and the
character is lost when that passes half a bit: e = 1/(2n - 1), 4.8 % for 11 bits. The edge is blurred by
jitter.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from hilseq.description.profile import Port
from hilseq_sim.views import ModbusView

#: Bit errors of a good line, and the share of the profile's limit they may reach.
_GOOD_RATIO, _GOOD_SHARE = 1e-8, 1e-3
_GOOD_CLOCK = 0.005
#: Relative width of the edge between heard and lost.
_BLUR = 0.1


class UnitPort:
    """One port (`hilseq_sim.views.PortView`). `dead` and the added errors are defects."""

    def __init__(self, description: Port, running: Callable[[], bool], stream: Random) -> None:
        self.partner: str = description.partner
        #: The server behind a port that speaks Modbus; it answers while the port is `answering`.
        self.modbus: ModbusView | None = None
        self._speeds = tuple(description.speeds)
        self._running = running
        self._random = stream
        self.character_bits = description.character_bits
        limit = description.bit_error_ratio
        self._good_ratio = min(_GOOD_RATIO, _GOOD_SHARE * limit) if limit else _GOOD_RATIO
        self._good_clock = stream.uniform(-_GOOD_CLOCK, _GOOD_CLOCK)
        self.dead = 0
        self.bit_errors = 0.0
        self.clock_error = 0.0

    def answering(self) -> bool:
        """Tell whether anything comes out at all."""
        return not self.dead and self._running()

    def receive(self, data: bytes, speed: int) -> bytes:
        """See PortView: the line spoils bytes on the way in and on the way out."""
        if self.partner != "echo":
            return b""
        return self.corrupt(self.corrupt(data, speed), speed)

    def corrupt(self, data: bytes, speed: int) -> bytes:
        """See PortView."""
        if not data or not self.answering():
            return b""
        nearest = min(self._speeds, key=lambda own: abs(own - speed))
        mismatch = speed / nearest - 1.0
        lost = self._share_lost(abs(mismatch + self._good_clock + self.clock_error))
        ratio = min(0.5, self._good_ratio + self.bit_errors)
        chance = self._random.random
        wrong = 1.0 - (1.0 - ratio) ** (8 * len(data))
        if lost == 0.0 and chance() >= wrong:
            return data
        return self._spoil(data, ratio, lost)

    def _share_lost(self, clock_error: float) -> float:
        """Share of characters that a receiver with this relative clock error loses."""
        edge = 1.0 / (2.0 * self.character_bits - 1.0)
        return max(0.0, min(1.0, 0.5 + (clock_error - edge) / (_BLUR * edge)))

    def _spoil(self, data: bytes, ratio: float, lost: float) -> bytes:
        """Return data with wrong bits; lost characters arrive as something else, or not at all."""
        random, spoilt = self._random, bytearray()
        changed = False
        for byte in data:
            if random.random() < lost:
                changed = True
                if random.random() < 0.5:  # noqa: PLR2004 - as often nonsense as nothing
                    spoilt.append(byte ^ random.randrange(1, 256))
                continue
            mask = sum(1 << bit for bit in range(8) if random.random() < ratio)
            changed = changed or mask != 0
            spoilt.append(byte ^ mask)
        if not changed and lost == 0.0:  # the caller has drawn that something goes wrong
            where = random.randrange(len(spoilt))
            spoilt[where] ^= 1 << random.randrange(8)
        return bytes(spoilt)
