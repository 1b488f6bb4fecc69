"""The simulated stand as physics: supplies, units, wiring, heat.

Knows `hilseq.description` (what a stand file and a profile say, with the numbers of `hilseq.quantities`
they are made of) and `hilseq_sim.views` (what the servers may ask). Must not know a protocol, a sequence,
or which check is running: it answers what is read and lives through what is written.

Every state is a closed form anchored at the last event (`timeline`), evaluated when it is asked
for; nothing is integrated step by step, so no result depends on how a span of time is cut.
"""
