"""Talking to the instruments of the stand and to the link of the unit.

What this package knows: the protocols of drivers; and of the drivers that ship SCPI, VISA, Modbus and serial lines:
how an answer is built, taken apart and disbelieved; how long one may wait; whose fault it is when nothing sensible
comes back.

What it must not know: pytest, verdicts, sequences, procedures, the journal, and whether the far end is a
real instrument or the simulated stand. It imports errors, quantities, clock, measured and description.

`protocols` says what procedures know and drivers do; `drivers` names those that ship. `supply`, `supply_meter` and
`signals` are what a procedure holds: the same over every driver. Below stand the drivers' own files: pure ones, which
work on bytes and text and touch no session (`scpi`, `pdu`, `codec`, `plans`), and thin callers that move the bytes
under a deadline (`transport`, `visa`, `scpi_supply`, `modbus_transaction`, `modbus`,
`register_bank`, `ports`, `partners`). `translate` is the only place where an error of a library becomes one of ours.
"""
