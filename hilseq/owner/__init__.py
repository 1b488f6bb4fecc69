"""The owner of a stand: one process that holds every instrument, for visits that work on several slots at once.

Each visit is a process of its own and a client. What its procedures ask of a supply or of channels is a whole
message of the driver protocols; it goes to the owner, which carries out one at a time on each instrument.

`wire.py` is what both say to each other, `relay.py` an instrument as a client has it, `line.py` one instrument with
its queue, `serve.py` the owner's own process, `membership.py` a visit's side: find the owner or start it, claim a slot.
"""
