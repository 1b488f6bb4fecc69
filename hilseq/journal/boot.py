"""Which start of which computer this is: what its kernel says of locks holds for nobody else."""

from __future__ import annotations

from pathlib import Path

_BOOT = Path("/proc/sys/kernel/random/boot_id")


def boot_id() -> str:
    """Return the random name that the kernel took when it started; empty where it took none.

    Better than the computer's name here, which two benches on one shared folder may have in common.
    """
    try:
        return _BOOT.read_text("ascii").strip()
    except (OSError, ValueError):
        return ""
