"""The protocols of the simulated stand: SCPI, Modbus, serial lines, the stepped clock.

Knows `hilseq_sim.views` (the seam to the physics) and `hilseq.description` (what a stand file says).
Must not know `hilseq_sim.world`, nor anything else of hilseq. Each protocol is a pure part, bytes in and
bytes out, and a thin session that the loop feeds.
"""
