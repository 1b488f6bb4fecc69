"""What people and machines take away from a run: made from its journal alone.

Reads journals; knows no instrument, no pytest and no running process.
"""
