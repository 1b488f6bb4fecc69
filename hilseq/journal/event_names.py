"""Names of the journal's events that other code looks for; the text of an event says the rest."""

from __future__ import annotations

#: A prompt to the operator: shown, answered, or not.
ASKED, ANSWERED, NOT_ANSWERED = "asked", "answered", "not answered"
#: An interlock: latched, and acknowledged by a person.
INTERLOCK, INTERLOCK_ACKNOWLEDGED = "interlock", "interlock acknowledged"
#: How an instrument was found, before anything was touched.
FOUND, FOUND_NOT_AT_REST = "as found", "not at rest when found"
#: The run's folder was renamed; the text has the new name.
FOLDER_RENAMED = "folder renamed"
#: `hilseq safe` has ended the run.
STOPPED = "stopped by a person"
#: Who released the stand after the last `hilseq safe`, and why.
RELEASED = "stand released"
#: A sign that the plan of a soak does not count as an event.
NOT_COUNTED = "not counted"
#: Temperature around the instruments.
AMBIENT = "ambient"
#: What the stand was asked before a failed check blames the unit; a check that is made once more.
STAND_ASKED, REPEATED = "stand asked", "check repeated"
#: What a check could not judge on this visit, and why.
NOT_JUDGED = "not judged"
#: Power of a unit: switched on, or changed under power; the text begins with the voltage.
SUPPLY_ON, SUPPLY_SET = "supply on", "supply set"
#: A unit loses its power; a unit has reached a mode, which is the text.
SUPPLY_OFF, MODE_REACHED = "supply off", "mode"
#: How warm it is at the unit and around it, at the beginning of a stage.
CONDITIONS = "conditions"
#: How the temperatures in the text of that begin: at the case, and around it (the second word: earlier versions).
AT_CASE, AT_AMBIENT = "case", ("ambient", "around")
#: What the looks of a check prove.
PROOF = "proof"
