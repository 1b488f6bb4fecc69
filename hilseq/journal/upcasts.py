"""Lines of earlier versions, brought up to the present one: plain data in, plain data out, a version at a time.

Lines of before there were versions have no `v`: they are version 0. Their readers ignored fields that they did not
know, and so does what brings them up.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any, TypeAlias

from hilseq.journal import entries
from hilseq.journal.fields import Entry, Part
from hilseq.journal.soak_entries import SoakStarted
from hilseq.verdicts import CheckVerdict, Obstacle

Plain: TypeAlias = dict[str, Any]


def upcast(plain: Plain) -> Plain:
    """Return a line as the present version would have written it; one that is of no known version as it is."""
    while (step := UPCASTS.get((plain.get("kind"), _version(plain)))) is not None:
        plain = step(plain)
    return plain


def _version(plain: Plain) -> int | None:
    version = plain.get("v", 0)
    return version if isinstance(version, int) else None


def _known(plain: Plain, model: type[Entry | Part]) -> Plain:
    """Return the fields that a type has; a value that is null where the type has a default is left out."""
    return {
        name: plain[name]
        for name, field in model.model_fields.items()
        if name in plain and (plain[name] is not None or field.is_required() or field.default is None)
    }


def _parts(plain: Any, model: type[Part]) -> list[Any]:
    return [_known(one, model) if isinstance(one, dict) else one for one in _items(plain)]


def _items(plain: Any) -> Iterable[Any]:
    return plain if isinstance(plain, list) else ()


def _v0_same(kind: str) -> Callable[[Plain], Plain]:
    """Return the step of a kind whose fields have kept their names and meanings."""

    def step(plain: Plain) -> Plain:
        return {**_known(plain, entries.KINDS[kind]), "v": 1}

    return step


def _v0_run_started(plain: Plain) -> Plain:
    """Prior runs were called earlier runs."""
    units = []
    for unit in _items(plain.get("units")):
        prior = _parts(unit.get("earlier_runs"), entries.PriorRun)
        units.append({**_known(unit, entries.UnitUnderTest), "prior_runs": prior})
    options = _known(plain.get("options") or {}, entries.RunOptions)
    known = _known(plain, entries.RunStarted)
    return {**known, "v": 1, "units": units, "options": options}


def _v0_event(plain: Plain) -> Plain:
    """A prompt's fields lay beside those of the event; missed samples of a soak were reported as an event in words."""
    first = str(plain.get("text")).partition(" ")[0]
    if plain.get("what") == "overrun" and first.isascii() and first.isdigit():
        kept: Plain = {name: plain[name] for name in ("at", "t", "slot") if name in plain}
        return {**kept, "kind": "samples missed", "v": 1, "count": int(first)}
    known = {**_known(plain, entries.EventLogged), "v": 1}
    if "expected" in plain:
        question = plain.get("question", plain.get("text"))
        known["prompt"] = {**_known(plain, entries.OperatorPrompt), "question": question}
    return known


def _v0_made_safe(plain: Plain) -> Plain:
    return {**_known(plain, entries.MadeSafe), "v": 1, "why": plain.get("why") or ""}


def _v0_faults(plain: Plain) -> Plain:
    stored = _parts(plain.get("entries"), entries.StoredFault)
    return {**_known(plain, entries.FaultsRead), "v": 1, "entries": stored}


def _v0_soak_started(plan: Plain) -> Plain:
    """The plan's signs that make no event had another name."""
    known = {**_known(plan, SoakStarted), "v": 1}
    described = known.get("plan")
    if isinstance(described, dict) and "not_counted" in described:
        renamed = {"not_counted": "ignored_events"}
        known["plan"] = {renamed.get(name, name): value for name, value in described.items()}
    return known


def _v1_reading(plain: Plain) -> Plain:
    """A reading kept its expanded uncertainty, and nothing of what that was made of."""
    return {**plain, "v": 2}


def _v1_certificate(plain: Plain) -> Plain:
    """Nothing was asked of the records about earlier units."""
    return {**plain, "v": 2}


#: How the words of a check that was not performed told what kept it from that.
_SAID = {
    Obstacle.UNIT_OR_HARNESS: re.compile(r"unit or harness: "),
    Obstacle.ERROR_IN_SEQUENCE: re.compile(r"error in the sequence: "),
    Obstacle.NO_GOLDEN_VISIT: re.compile(r"no known good unit was tested "),
    Obstacle.NO_OPERATOR: re.compile(r"it needs an operator and none is there"),
    Obstacle.NOT_SELECTED: re.compile(r".* selected$|checks of the approved plan were not selected: "),
}


def _v1_check_ended(plain: Plain) -> Plain:
    """What kept a check from being performed stood in its words alone."""
    why = str(plain.get("why", "")) if plain.get("verdict") == CheckVerdict.NOT_PERFORMED else ""
    return {**plain, "v": 2, "obstacle": next((one for one, said in _SAID.items() if said.match(why)), None)}


UPCASTS: dict[tuple[str | None, int | None], Callable[[Plain], Plain]] = {
    **{(kind, 0): _v0_same(kind) for kind in entries.KINDS if kind != "samples missed"},
    ("run started", 0): _v0_run_started,
    ("event", 0): _v0_event,
    ("soak started", 0): _v0_soak_started,
    ("made safe", 0): _v0_made_safe,
    ("reading", 1): _v1_reading,
    ("check ended", 1): _v1_check_ended,
    ("certificate", 1): _v1_certificate,
    ("faults", 0): _v0_faults,
}
