"""Which process is meant: its number, and when it started, since numbers are used again."""

from __future__ import annotations

import os
import signal
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path


def kernel_fields(path: Path) -> list[str]:
    """Return the fields of a process or thread as the kernel tells them, from its state on."""
    with suppress(OSError):
        return path.read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
    return []


@dataclass(frozen=True, slots=True)
class Process:
    """One process of this computer since its last start; `started` is in the kernel's own count."""

    pid: int
    started: str

    @classmethod
    def of(cls, pid: int) -> Process:
        """Return the process that has the number now."""
        return cls(pid, "".join(kernel_fields(Path(f"/proc/{pid}/stat"))[19:20]))

    @property
    def lives(self) -> bool:
        """Return whether it is there, and has not ended."""
        fields = kernel_fields(Path(f"/proc/{self.pid}/stat"))
        return fields[19:20] == [self.started] and fields[0] not in ("Z", "X")

    def holds_open(self, handle: int) -> bool:
        """Return whether it has the file of our descriptor open; False where that may not be seen."""
        ours = os.fstat(handle)
        with suppress(OSError):
            for entry in Path(f"/proc/{self.pid}/fd").iterdir():
                with suppress(OSError):
                    found = entry.stat()
                    if (found.st_dev, found.st_ino) == (ours.st_dev, ours.st_ino):
                        return True
        return False

    def ask_to_end(self) -> bool:
        """Send it SIGTERM, if it is still the same; return whether we were allowed to."""
        return self._signal(signal.SIGTERM)

    def kill(self) -> bool:
        """End it at once, if it is still the same; return whether we were allowed to."""
        return self._signal(signal.SIGKILL)

    def _signal(self, number: signal.Signals) -> bool:
        try:
            handle = os.pidfd_open(self.pid)
        except ProcessLookupError:
            return True
        except (AttributeError, OSError):  # a kernel before 5.3
            return self._signal_by_number(number)
        try:
            # Opened first and compared then: the number cannot have passed to another in between.
            if self.lives:
                signal.pidfd_send_signal(handle, number)
        except ProcessLookupError:
            return True
        except PermissionError:
            return False
        finally:
            os.close(handle)
        return True

    def _signal_by_number(self, number: signal.Signals) -> bool:
        try:
            if self.lives:
                os.kill(self.pid, number)
        except ProcessLookupError:
            return True
        except PermissionError:
            return False
        return True
