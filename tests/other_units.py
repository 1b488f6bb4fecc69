"""Other units than the demo's, as changes of its profile (`tests.hasty.changed`)."""

from __future__ import annotations

Change = tuple[str, str]

#: A unit that keeps a log of its power-ups in its fault table.
LOGGED: Change = ("  codes:\n", "  codes:\n    0x05: {meaning: power-up logged, routine: true}\n")
#: A unit that neither counts its faults nor lets the link clear them.
BARE_TABLE: tuple[Change, ...] = (
    ("  count: {table: input register, address: 3}\n", ""),
    ("  clear: {table: coil, address: 100}\n", ""),
)
