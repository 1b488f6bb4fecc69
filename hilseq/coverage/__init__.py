"""The coverage table: what the sequences are worth, proven on defects put into the simulated stand.

Draws defects from the simulator's catalogue, makes one visit for each, and compares what the visit found with
what was put in. The visits themselves know nothing of it: they are ordinary runs.
"""
