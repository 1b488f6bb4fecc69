"""Defects: what can be wrong with a simulated unit or stand, as data.

`catalogue` is the one table of kinds; `spec` reads what a person writes and fits it to a stand and a profile, with
`places`; `conditions` lets a defect come and go; `effects` says which `change` of the model's parameters it is. A
defect knows the parts of the world, never a check.
"""
