"""The job as it ships: its stages, which of them a profile calls for, and what its readings are called.

A stage and a reading may be one's own: only what is written almost as a known one is refused.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable

from hilseq.description.findings import SURE_SLIP, Finding, Findings, Place, nearest_word
from hilseq.description.profile import Profile

#: The stage that runs only when it is asked for.
SOAK = "soak"
#: The last stage of a visit, which looks once more at everything; never tried earlier, whatever failed before.
CLOSING = "closing"
#: From this likeness on a stage's name is a slip of the pen: a letter of a short word.
_A_SLIP = 0.85
#: The readings of the shipped checks.
READINGS = (
    "time to ready",
    "time to ready, hot",
    "settling time of the current",
    "inrush peak",
    "inrush charge",
    "idle current",
    "live current",
    "loaded current",
    "error of the reported temperature",
    "clock drift",
    "battery voltage",
    "battery age",
    "clock error after the supply was away",
    "clock error over a few seconds",
    "time to change",
    "switching delay",
    "voltage drop when on",
    "voltage when off",
    "leakage when off",
    "input delay",
    "threshold rising",
    "threshold falling",
    "largest deviation",
    "hysteresis",
    "repeatability (2 s)",
    "change caused by the others",
    "reading at failure high",
    "reading at failure low",
    "reading at over-range",
    "reading at under-range",
    "output asked for 0 mA",
    "output asked for 24 mA",
    "output while not driven",
    "bit error ratio",
    "lost frames per bit",
    "error of the port's clock",
    "ride-through",
    "drop-out voltage",
    "pick-up voltage",
    "largest time to ready",
    "largest time to ready, hot",
    "idle current at the end",
    "live current at the end",
    "error of the reported temperature at the end",
    "time to change at the end",
    "deviation at the end",
    "clock error over a few seconds at the end",
    "battery voltage at the end",
    "clock error since it was first looked at",
)
#: What comes before or behind them: the speed of a port, the ends of what a soak has seen.
_AT, _OF_A_SOAK = " at ", ("lowest ", "highest ")


def tells_who_it_is(profile: Profile) -> bool:
    """Return whether the unit can be asked anything about what it is."""
    identity = profile.identity
    return identity.device_identification or bool(identity.serial_number or identity.modules)


def remembers(profile: Profile) -> bool:
    """Return whether the profile describes anything that the unit must remember without supply."""
    clock = profile.clock is not None and profile.link.clock is not None
    return clock or profile.battery is not None or profile.configuration is not None


#: Stage -> whether this profile calls for it. The order is that of a visit.
STAGES: dict[str, Callable[[Profile], bool]] = {
    "set-up": lambda _: True,
    "power-on": lambda _: True,
    "identity": tells_who_it_is,
    "stored faults": lambda profile: profile.faults is not None,
    "configuration": lambda profile: profile.configuration is not None,
    "clock and memory": remembers,
    "modes": lambda _: True,
    "outputs": lambda profile: bool(profile.points.outputs),
    "inputs": lambda profile: bool(profile.points.inputs),
    "analog": lambda profile: bool(profile.points.analog_inputs or profile.points.analog_outputs),
    "ports": lambda profile: bool(profile.ports),
    "supply margins": lambda profile: profile.margins is not None,
    "power cycling": lambda profile: profile.cycling is not None,
    SOAK: lambda profile: profile.soak is not None and profile.soak.required,
    CLOSING: lambda _: True,
}


def nearest_stage(stage: str, known: Iterable[str]) -> str:
    """Return the stage that was meant by one that is written almost alike, or an empty text."""
    plain = {_plain(each): each for each in known}
    close = difflib.get_close_matches(_plain(stage), plain, n=1, cutoff=_A_SLIP)
    return plain[close[0]] if close else ""


def _plain(name: str) -> str:
    return "".join(letter for letter in name.lower() if letter.isalnum()).removesuffix("s")


def stages_and_readings_are_known(profile: Profile) -> Findings:
    """Refuse a stage or a reading that is written almost as a shipped one; warn of one that only one's own can be."""
    for number, stage in enumerate(profile.required_stages):
        if stage not in STAGES:
            near = nearest_stage(stage, STAGES)
            yield _unknown(("required-stages", number), "stage", stage, near, nearest_word(stage, STAGES))
    for key, names in (("key-readings", profile.key_readings), ("waived-readings", profile.waived_readings)):
        for number, name in enumerate(names):
            if name in profile.key_readings[:number] and key == "key-readings":
                yield Finding((key, number), f"the reading {name!r} stands here a second time", "each once")
            elif not _is_shipped(name):
                near = nearest_word(name, READINGS, SURE_SLIP)
                place = number if key == "key-readings" else name
                yield _unknown((key, place), "reading", name, near, nearest_word(name, READINGS))


def _unknown(place: Place, kind: str, name: str, slip: str, near: str) -> Finding:
    wrong = f"there is no {kind} {name!r}" if slip else f"no shipped sequence has a {kind} {name!r}"
    expected = "" if slip else f"a {kind} of a sequence of yours"
    return Finding(
        place, wrong, expected, slip or near, at_key=place[0] == "waived-readings", warning=not slip
    )


def _is_shipped(name: str) -> bool:
    """Return whether a shipped check has a reading of this name."""
    return name.partition(_AT)[0] in READINGS or name in READINGS or name.startswith(_OF_A_SOAK)
