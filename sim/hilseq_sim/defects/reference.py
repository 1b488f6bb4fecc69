"""The catalogue of defects as people read it: the table in sim/README.md."""

from __future__ import annotations

from hilseq_sim.defects.catalogue import CATALOGUE


def as_markdown() -> str:
    """Return the table, one kind of defect a line. A test keeps sim/README.md equal to it."""
    lines = [
        "| kind | at fault | what it does | severity | harmless to, found from |",
        "|---|---|---|---|---|",
    ]
    for row in CATALOGUE.values():
        severity = row.severity or ("any" if row.graded else "")
        found_from = f"{row.matters:g}" if row.matters is not None else "never"
        limits = "" if row.harmless is None else f"{row.harmless:g}, {found_from}"
        side = row.side if row.side == "stand" else f"unit, {row.stage}"
        lines.append(f"| `{row.kind}` | {side} | {row.does} | {severity} | {limits} |")
    return "\n".join(lines) + "\n"
