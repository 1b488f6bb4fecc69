"""Who may use a stand on this computer: one run at a time, and nobody after `hilseq safe`.

Instruments are held by their address, whatever stand file names them. `addresses.py` says which address is which,
`shared_folder.py` opens files that every user of the computer may write, `lease.py` holds instruments by kernel
locks that end with their processes, `latch.py` keeps a stand off until a person releases it.
"""
