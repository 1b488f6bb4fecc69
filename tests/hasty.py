"""The demo's stand with deadlines that do not keep a test waiting for what is silent."""

from __future__ import annotations

from pathlib import Path

STAND = Path(__file__).resolve().parents[1] / "stands" / "sim-bench.yaml"
_SHORTER = (
    ("    settle: 50 ms\n", "    settle: 50 ms\n    deadline: 300 ms\n"),
    ("    address: 192.0.2.20:502\n", "    address: 192.0.2.20:502\n    deadline: 300 ms\n"),
)


def changed(path: Path, pairs: tuple[tuple[str, str], ...]) -> str:
    """Return a file's text with some of its words replaced, each of which must be there."""
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return text


def hasty_stand(folder: Path) -> Path:
    """Write the stand file into a folder and return it."""
    path = folder / "stand.yaml"
    path.write_text(changed(STAND, _SHORTER), encoding="utf-8")
    return path
