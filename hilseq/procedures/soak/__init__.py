"""The soak: one unit under load for hours or days, sampled on a fixed schedule, its events met as planned.

| file | says |
|---|---|
| states | its states: a table of (state, event) -> (state, what to journal) |
| progress | the instants of samples, how far it has come, gaps |
| sampler | how one sample of everything is taken |
| conditions | what counts as an event |
| events | what is kept of an event: fault table, burst; and the result of the soak |
| traffic | frames on ports kept busy |
| starts | the unit into its mode and under its load |
| recovery | what the stand does wrong: safe first, then back to work |
| record | what is kept, and the seam to who keeps it |
| run | all of it in order |

Knows no pytest and no file.
"""
