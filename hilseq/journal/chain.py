"""One journal line: JSON, sequence number, and the hash that chains it to the line before.

Pure functions on bytes. The chain value of a line is the SHA-256 of the previous chain value followed by
the line's own text without its chain member (FIPS 180-4 for SHA-256; the construction is the usual hash
chain: changing, dropping or reordering any line breaks every later value).
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from typing import Any

#: Chain value before the first line.
GENESIS = "0" * 64
_TAIL = ',"chain":"'
_TAIL_LENGTH = len(_TAIL) + 64 + len('"}')


class BrokenLine(ValueError):  # noqa: N818 - it names the line, not the act
    """The line is not a journal line, or does not continue the chain; the message says which."""


def _plain(value: Any) -> Any:
    """Return the value as strict JSON can hold it: numbers that are not finite become text."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


def _digest(previous: str, body: str) -> str:
    return hashlib.sha256((previous + "\n" + body).encode()).hexdigest()


def seal(number: int, entry: Mapping[str, Any], previous: str) -> tuple[bytes, str]:
    """Return the line for `entry` (with its newline) and its chain value.

    `number` counts lines from 0; `previous` is the chain value of the line before, GENESIS for the first.
    """
    body = json.dumps({"n": number, **_plain(entry)}, ensure_ascii=True, separators=(",", ":"))
    chain = _digest(previous, body)
    return f'{body[:-1]}{_TAIL}{chain}"}}\n'.encode("ascii"), chain


def unseal(line: bytes, number: int, previous: str) -> tuple[dict[str, Any], str]:
    """Return the entry of a line and its chain value. Raises BrokenLine."""
    try:
        text = line.decode("ascii")
    except UnicodeDecodeError:
        raise BrokenLine(f"line {number + 1} holds bytes that no journal writes") from None
    if not text.endswith('"}\n') or text[-_TAIL_LENGTH - 1 :][: len(_TAIL)] != _TAIL:
        raise BrokenLine(f"line {number + 1} is cut short or has no chain value")
    body, chain = text[: -_TAIL_LENGTH - 1] + "}", text[-67:-3]
    if _digest(previous, body) != chain:
        raise BrokenLine(f"line {number + 1} was changed, or a line before it is missing")
    try:
        entry = json.loads(body)
    except (ValueError, RecursionError):
        raise BrokenLine(f"line {number + 1} is no JSON") from None
    if not isinstance(entry, dict) or not isinstance(entry.get("kind"), str):
        raise BrokenLine(f"line {number + 1} is no journal entry")
    if entry.pop("n", None) != number:
        raise BrokenLine(f"line {number + 1} carries another number")
    return entry, chain
