"""The soak: one unit under load for hours or days, sampled on a fixed schedule, its events met as planned.

`schedule` knows the instants, `sampler` how one sample is taken, `conditions` what counts as an event,
`traffic` keeps ports busy, `record` is what is kept, and `run` does it all in order. Knows no pytest and no
file: what is kept goes through `record.Recorder`.
"""
