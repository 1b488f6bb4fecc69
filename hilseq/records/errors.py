"""What can go wrong with the records, beside what `hilseq.errors` knows already.

HilseqError
├── RecordsUnreachable   the database does not answer: nothing is lost, sync later
├── JournalRefused       the journal was changed after it was written, or lost: it proves nothing
├── NothingToImport      the run was killed before its first line was on the disk
└── UsageError
    └── RecordsUnusable  the database answers, but is too new, too old or no records at all
"""

from __future__ import annotations

from hilseq.errors import HilseqError, UsageError


class RecordsUnreachable(HilseqError):
    """The database cannot be reached now. The journals stay where they are; sync again later."""


class JournalRefused(HilseqError):
    """The journal contradicts its own hash chain, or another copy of itself, or has lost its lines."""


class NothingToImport(HilseqError):
    """The journal holds no whole line yet."""


class RecordsUnusable(UsageError):
    """The database answers, but these records cannot be used by this version of hilseq."""
