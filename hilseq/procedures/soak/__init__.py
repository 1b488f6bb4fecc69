"""The soak: one unit under load for hours or days, sampled on a fixed schedule, its events met as planned.

| file | says |
|---|---|
| schedule | the instants of samples |
| sampler | how one sample of everything is taken |
| conditions | what counts as an event |
| events | what is kept of an event: fault table, burst |
| load | the pattern on the outputs |
| traffic | frames on ports kept busy |
| course | how far the soak has come: schedule, last sample, gaps |
| starts | the unit into its mode and under its load again |
| troubles | what the stand does wrong: safe first, then back to work |
| recovery | waiting for a lost instrument |
| outcome | what came of it |
| record | what is kept, and the seam to who keeps it |
| run | all of it in order |

Knows no pytest and no file.
"""
