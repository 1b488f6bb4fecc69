"""The pytest plugin: inert unless a stand is given.

One feature, one file: options, fixtures, parametrization, gates, judging, the record of the run, the
terminal. Knows procedures and everything below; sequences know only its fixtures and markers.
"""
