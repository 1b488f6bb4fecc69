"""Errors and status of a SCPI instrument: numbers, texts, queue, registers.

Numbers and texts as in SCPI-1999 volume 2, chapter 21; status registers as in IEEE 488.2, chapter 11.
Pure: no I/O, no clock.
"""

from __future__ import annotations

from collections import deque

TEXTS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -171: "Invalid expression",
    -200: "Execution error",
    -221: "Settings conflict",
    -230: "Data corrupt or stale",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -240: "Hardware error",
    -310: "System error",
    -330: "Self-test failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}

QUEUE_OVERFLOW = -350
QUEUE_LENGTH = 20

# Bits of the standard event status register (IEEE 488.2, 11.5.1).
OPERATION_COMPLETE = 1
REQUEST_CONTROL = 2
QUERY_ERROR = 4
DEVICE_ERROR = 8
EXECUTION_ERROR = 16
COMMAND_ERROR = 32
USER_REQUEST = 64
POWER_ON = 128

#: Hundreds of an event's number, and the bit it sets.
_EVENT_BITS = {
    1: COMMAND_ERROR,
    2: EXECUTION_ERROR,
    3: DEVICE_ERROR,
    4: QUERY_ERROR,
    5: POWER_ON,
    6: USER_REQUEST,
    7: REQUEST_CONTROL,
    8: OPERATION_COMPLETE,
}

# Bits of the status byte (IEEE 488.2, 11.2.1; SCPI-1999 volume 1, chapter 9).
ERROR_AVAILABLE = 4
QUESTIONABLE_SUMMARY = 8
MESSAGE_AVAILABLE = 16
EVENT_SUMMARY = 32
MASTER_SUMMARY = 64
OPERATION_SUMMARY = 128


class ScpiError(Exception):
    """An error that goes into the instrument's queue; `number` as in SCPI-1999."""

    def __init__(self, number: int) -> None:
        super().__init__(f"{number} {TEXTS.get(number, 'unknown')}")
        self.number = number


def event_bit(number: int) -> int:
    """Return the event status bit that an error or event number sets."""
    if number > 0:
        return DEVICE_ERROR
    return _EVENT_BITS.get(-number // 100, 0)


def entry(number: int) -> str:
    """Return an error as a query answers it: number and quoted text."""
    return f'{number},"{TEXTS.get(number, "Device-specific error")}"'


class EventRegister:
    """A condition with its latched event and enable mask (SCPI-1999 volume 1, 20)."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0

    def update(self, condition: int) -> None:
        """Take over the condition; every bit that rose is latched."""
        self.event |= condition & ~self.condition
        self.condition = condition

    def take_event(self) -> int:
        """Return the latched events and clear them."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """Return whether an enabled event is latched."""
        return bool(self.event & self.enable)


class Status:
    """Error queue and status registers of one instrument, shared by all its connections."""

    def __init__(self) -> None:
        self._queue: deque[int] = deque()
        self.events = POWER_ON
        self.event_enable = 0
        self.service_enable = 0
        self.questionable = EventRegister()
        self.operation = EventRegister()

    def report(self, number: int) -> None:
        """Queue an error and set its event bit; when the queue is full its last entry becomes -350."""
        self.events |= event_bit(number)
        if len(self._queue) < QUEUE_LENGTH:
            self._queue.append(number)
        else:
            self._queue[-1] = QUEUE_OVERFLOW
            self.events |= event_bit(QUEUE_OVERFLOW)

    def next_error(self) -> str:
        """Take the oldest error out of the queue."""
        return entry(self._queue.popleft() if self._queue else 0)

    def all_errors(self) -> str:
        """Take every error out of the queue."""
        if not self._queue:
            return entry(0)
        text = ",".join(entry(number) for number in self._queue)
        self._queue.clear()
        return text

    @property
    def error_count(self) -> int:
        """Return the number of errors in the queue."""
        return len(self._queue)

    def take_events(self) -> int:
        """Return the standard event status register and clear it."""
        events, self.events = self.events, 0
        return events

    def clear(self) -> None:
        """Clear the queue and all events, as *CLS does; the masks stay."""
        self._queue.clear()
        self.events = 0
        self.questionable.event = 0
        self.operation.event = 0

    def preset(self) -> None:
        """Clear the masks of the SCPI registers, as STATus:PRESet does."""
        self.questionable.enable = 0
        self.operation.enable = 0

    def byte(self, *, message_available: bool) -> int:
        """Return the status byte with the master summary in bit 6, as *STB? reads it."""
        byte = ERROR_AVAILABLE if self._queue else 0
        byte |= QUESTIONABLE_SUMMARY if self.questionable.summary else 0
        byte |= MESSAGE_AVAILABLE if message_available else 0
        byte |= EVENT_SUMMARY if self.events & self.event_enable else 0
        byte |= OPERATION_SUMMARY if self.operation.summary else 0
        return byte | (MASTER_SUMMARY if byte & self.service_enable & ~MASTER_SUMMARY else 0)
