"""The configuration memory: written, stored, kept over power-off by the battery, with its checksum."""

from __future__ import annotations

from collections import Counter
from random import Random

from hilseq.description.profile import Configuration
from hilseq_sim.world.timeline import Timeline, Timer

_POLYNOMIAL = 0xA001
_ERASED = 0


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        register = byte
        for _ in range(8):
            register = register >> 1 ^ (_POLYNOMIAL if register & 1 else 0)
        table.append(register)
    return tuple(table)


_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS: start 0xFFFF, reflected polynomial 0xA001 (MODBUS over Serial Line V1.02, 6.2.2)."""
    register = 0xFFFF
    for byte in data:
        register = register >> 8 ^ _TABLE[(register ^ byte) & 0xFF]
    return register


class ConfigurationMemory:
    """Working copy and stored copy. The counters and `stuck` are defects; 0 and empty in a good unit."""

    def __init__(self, timeline: Timeline, description: Configuration, stream: Random) -> None:
        content = list(description.content)
        # A unit comes with somebody else's configuration: like the reference, and different somewhere.
        for _ in range(1 + stream.randrange(len(content))):
            content[stream.randrange(len(content))] = stream.randrange(0x10000)
        self._working = content
        self._stored = list(content)
        self._storing: list[int] = []
        self._needs_storing = description.store is not None
        self._store_time = 0.9 * description.store_time
        self._timer = Timer(timeline, self._finish)
        self._checksum: int | None = None
        self.refuses = 0
        self.never_stores = 0
        self.not_kept = 0
        self.checksum_wrong = 0
        #: Words with a bit that cannot be cleared or set: word -> how many defects flip its lowest bit.
        self.stuck: Counter[int] = Counter()

    def read(self, index: int) -> int:
        """Return a word as the unit reads it."""
        word = self._working[index]
        return word ^ 1 if self.stuck[index] > 0 else word

    def write(self, index: int, word: int) -> None:
        """Write a word into the working copy, or for good where nothing needs to be stored."""
        self._working[index] = word
        self._checksum = None
        if not self._needs_storing:
            self._stored[index] = word

    def store(self) -> None:
        """Begin to store the working copy; power lost before the end keeps the old one."""
        if not self.never_stores:
            self._storing = list(self._working)
            self._timer.start(self._store_time)

    def _finish(self) -> None:
        self._stored = self._storing

    def checksum(self) -> int:
        """Checksum as the unit computes it: over the words, high byte first."""
        if self._checksum is None:
            words = (self.read(index) for index in range(len(self._working)))
            self._checksum = crc16(b"".join(word.to_bytes(2, "big") for word in words))
        return self._checksum ^ 0x0101 if self.checksum_wrong else self._checksum

    def refresh(self) -> None:
        """Follow a defect."""
        self._checksum = None

    def power_lost(self) -> None:
        """Forget what was not stored."""
        self._timer.stop()

    def power_good(self, retained: bool) -> bool:
        """Take up the stored copy; return whether it was still there."""
        kept = retained and not self.not_kept
        if not kept:
            self._stored = [_ERASED] * len(self._stored)
        self._working = list(self._stored)
        self._checksum = None
        return kept
