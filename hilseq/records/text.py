"""Foreign text made fit for every database: visible, valid and, where it names something, short.

Serials, places and identities come from keyboards, files and instruments. PostgreSQL refuses the
character NUL and, like SQLite, text that is no Unicode; its indexes refuse entries above 2704 bytes
(a third of a page, PostgreSQL manual, B-tree limits).
"""

from __future__ import annotations

import hashlib

from hilseq.reports.sanitize import sanitize as shown

#: Six names of this length, four bytes a character, still fit one index entry of PostgreSQL.
LONGEST_NAME = 100
_LONGEST_TEXT = 20_000
_MARK = 12


def sanitize(value: object) -> str:
    """Return the text with everything that cannot be printed made visible; empty for None."""
    return "" if value is None else shown(value, _LONGEST_TEXT)


def name(value: object) -> str:
    """Return the text as a name: visible, and cut to LONGEST_NAME with a mark that keeps it distinct."""
    text = sanitize(value)
    if len(text) <= LONGEST_NAME:
        return text
    mark = hashlib.sha256(text.encode()).hexdigest()[:_MARK]
    return f"{text[: LONGEST_NAME - _MARK - 1]}~{mark}"
