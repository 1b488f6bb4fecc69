"""The guard: a small process that switches the stand off if the run dies or hangs.

It is started before power is applied, holds no instrument while all is well, and watches the run's pipe:
its end means the run died, silence on it means the run hangs. Then it ends the run, opens the supplies and
the I/O itself, switches off, verified, and journals what it did.

`watch.py` is the guard's own process, `client.py` the run's side of it.
"""
