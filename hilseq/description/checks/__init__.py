"""The cross-checks of the descriptions: one topic per file, each a pure function to findings.

Knows the models; knows no file, no line and no instrument.
"""
