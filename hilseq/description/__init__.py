"""Stand files and profiles: typed, validated, cross-checked before anything is powered.

Knows quantities and errors; knows no instrument, no protocol library and no pytest.
"""
