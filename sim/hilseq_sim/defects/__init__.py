"""Defects: what can be wrong with a simulated unit or stand, as data.

`catalogue` is the one table of kinds; `spec` reads what a person writes; `places` and `resolve` fit it to
a stand and a profile; `conditions` lets a defect come and go; `change` is how it changes the model's
parameters. A defect knows the parts of the world, never a check.
"""
