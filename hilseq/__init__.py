"""hilseq: a hardware-in-the-loop test sequencer for test stands.

Imports run one way (DEVELOPERS.md): sequences, plugin, procedures, instruments, description,
then clock and quantities. `analysis` imports nothing of ours; `reports` and `records` read journals.
"""

__version__ = "0.1.0"
