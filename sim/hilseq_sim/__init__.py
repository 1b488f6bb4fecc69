"""The simulated stand: one world of supplies, units and wires, served over SCPI, Modbus and serial lines.

Knows `hilseq.description` and nothing else of hilseq. It never learns which check is running, and
tells nobody which defect was put in.
"""
