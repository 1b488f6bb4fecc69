"""What to do to a stand and a unit, in what order: the actions that sequences judge.

Knows instruments, descriptions and the clock. Knows no pytest and passes no verdict; it raises UnitFault
where an action cannot be done because the unit does not do its part.
"""
