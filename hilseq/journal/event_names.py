"""What the events of a journal are called by which somebody knows them again; the text beside says the rest."""

from __future__ import annotations

#: What the event of a prompt to the operator is called: when it is shown, and what became of it.
ASKED, ANSWERED, NOT_ANSWERED = "asked", "answered", "not answered"
#: What the events of an interlock are called: latched, and put right by a person.
INTERLOCK, INTERLOCK_ACKNOWLEDGED = "interlock", "interlock acknowledged"
#: What the events are called that tell how an instrument was found before anything was touched.
FOUND, FOUND_NOT_AT_REST = "as found", "not at rest when found"
#: What the event is called that tells where the run's folder has gone.
FOLDER_RENAMED = "folder renamed"
#: What the event of a run is called that `hilseq safe` has ended.
STOPPED = "stopped by a person"
#: What the event is called that tells who has released the stand after `hilseq safe`, the last time, and why.
RELEASED = "stand released"
#: What the event of a sign is called that a soak's plan does not count.
NOT_COUNTED = "not counted"
#: What the event is called that tells the temperature around the instruments.
AMBIENT = "ambient"
#: What the event is called that tells what the stand was asked before a failed check blames the unit, and that of a
#: check that is made once more.
STAND_ASKED, REPEATED = "stand asked", "check repeated"
#: What the event of something is called that a check could not judge on this visit, and why.
NOT_JUDGED = "not judged"
#: What the events are called that tell the voltage of a unit, first in their text: with power, and changed under power.
SUPPLY_ON, SUPPLY_SET = "supply on", "supply set"
#: What the event is called of a unit that loses its power, and that of one that has reached a mode, which is its text.
SUPPLY_OFF, MODE_REACHED = "supply off", "mode"
#: What the event is called that tells, at the beginning of a stage, how warm it is at the unit and around it.
CONDITIONS = "conditions"
#: What the events are called that say what the looks of a check prove.
PROOF = "proof"
