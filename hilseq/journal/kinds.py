"""The kinds of journal entry and the fields of each: the contract between writers and readers.

Every entry also has `kind`, `at` (date, UTC) and `t` (seconds of the run's clock). A reader ignores fields
it does not know. `slot` names the unit an entry belongs to.

| kind | fields |
|---|---|
| run started | run, stand, hilseq, boot (of the computer), simulated, seed, decision_rules {slot: rule}, inputs [{role, name, sha256, text}], units [{slot, serial, part, description, unmeasured […], intake {…}, earlier_runs [{run, started, stand, disposition, findings […]}]}], options {…} |
| instrument | name, what, resource, identity, certificate, due |
| check planned | check, sequence, stage, title (a noun phrase), sentence (what the check shows), slot, place, gate |
| check started | check |
| reading | check, slot, name, value, unit, uncertainty (expanded, k = 2), low, high, verdict, probability, place, rule |
| event | slot (or ""), what, text; of a person asked also question, picture, expected […], answer, by, seconds |
| faults | slot, when, entries [{code, place, time, meaning, cause, remedy}] |
| table | check, slot, name, columns […], rows [[…]]: a curve or a pattern, for plots and attachments |
| check ended | check, verdict, why, places […], stand_places […], seconds |
| made safe | verified, why, by, slot (or "": all), slots (that a failure concerns) |
| run resumed | torn (bytes cut off), why, hilseq, boot: an interrupted soak goes on from here |
| soak started | slot, check, file, zero and end (t of first sample and end), duration, planned, period, mode, modes {name: number}, case (column), columns [{name, unit, low, high}], confidence, cover, ambient, plan {…} |
| soak event | slot, number (of the incident), since (of what only the whole soak could tell: when it began), case, what, place, text, outputs_on |
| soak gap | slot, start, end, what, planned, text, until (end of the soak from now on); seconds since zero |
| samples sealed | slot, file, count, sha256 (of the file up to its count-th record), ports (as in soak ended) |
| soak ended | slot, since, samples, missed, events, why, ports {name: {frames, wrong_frames, lost_frames, bits, wrong_bits, beyond, …}}, uncounted {sign: times} |
| run ended | exit_code, interrupted |
"""  # noqa: E501 (a table row is one line)

RUN_STARTED = "run started"
INSTRUMENT = "instrument"
CHECK_PLANNED = "check planned"
CHECK_STARTED = "check started"
READING = "reading"
EVENT = "event"
FAULTS = "faults"
TABLE = "table"
CHECK_ENDED = "check ended"
MADE_SAFE = "made safe"
RUN_ENDED = "run ended"
RUN_RESUMED = "run resumed"
SOAK_STARTED = "soak started"
SOAK_EVENT = "soak event"
SOAK_GAP = "soak gap"
SAMPLES_SEALED = "samples sealed"
SOAK_ENDED = "soak ended"
#: Shown to whoever watches, never written.
SOAK_PROGRESS = "soak progress"
#: What an event of the operator's says.
ASKED = "asked"
ANSWERED = "answered"
NOT_ANSWERED = "not answered"
