"""The distribution's own sequences are run by hilseq on its stand, not collected with the tests of hilseq."""

collect_ignore = ["sequences"]
