"""Pure numbers: limits, uncertainty, patterns, statistics, conversions.

Knows no instrument, no file, no clock and nothing else of hilseq: every function here takes numbers
and returns numbers, so that each can be checked against a published value.
"""
