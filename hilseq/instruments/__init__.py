"""Talking to the instruments of the stand and to the link of the unit.

What this package knows: SCPI, VISA, Modbus and serial lines; how an answer is built, taken apart and
disbelieved; how long one may wait; whose fault it is when nothing sensible comes back.

What it must not know: pytest, verdicts, sequences, procedures, the journal, and whether the far end is a
real instrument or the simulated stand. It imports errors, quantities, clock, measured and description.

Pure files work on bytes and text and touch no session: `scpi`, `chatter`, `pdu`, `codec`, `readplan`. Thin callers
move the bytes under a deadline: `transport`, `visa` (upon `visa_resources` and `watched_socket`), `conversation`,
`modbus`, `ports`. On top of them stand the things a procedure names: `supply` and `signals`. `translate` is the only
place where an error of a library becomes one of ours.
"""
