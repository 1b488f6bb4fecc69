"""Drivers and extensions for hilseq stands, as somebody else would write them."""
