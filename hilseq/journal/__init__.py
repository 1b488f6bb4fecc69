"""The journal: what happened, in order, on disk, as it happens.

Append-only lines of JSON, each durable before the next action and each chained to the one before by a
hash, so that a torn tail is cut and reported, and a changed line is found. Knows no instrument and no
pytest; reports and records read it.
"""
