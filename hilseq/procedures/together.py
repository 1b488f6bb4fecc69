"""Every point of a unit at once: outputs, inputs and analog channels, each driven without regard to the others.

What couples from one kind of point into another (an output into an input or an analog channel) shows only when both
are looked at together, and what goes wrong once in many times only when it is tried as often. The vectors are balanced
and pseudo-random: of any two points all four combinations come, each in about a quarter of the steps.

An analog channel goes through its whole range meanwhile, once to every part of it and in an order of its own: a part
that stands still, or that misses, is found where a sweep of a few steps passes over it. Short frames go over the ports
between the steps: one that loses them while an output is on is disturbed by it.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from hilseq.analysis.counted import upper_bound
from hilseq.clock import Clock
from hilseq.description.profile import Indicator, Mode, Profile
from hilseq.errors import UnitFault, UnitOrHarness
from hilseq.measured import Measured
from hilseq.procedures import link_check, margins, outputs_off
from hilseq.procedures.link_check import OwnReports
from hilseq.procedures.patterns import PATIENCE
from hilseq.procedures.unit import Unit

#: For how long every output is held on under its load, s; looked at so often, s.
HOLD, _GLANCE = 60, 0.2
#: Steps: an event of one in 67 is seen with 95 % confidence (rule of three), and a part of an analog range that stands
#: still from one in so many on.
STEPS = 200
#: Steps in each mode in which outputs are off: an event of one in ten is seen with 95 % confidence.
QUIET_STEPS = 30
#: For how long the exchanges of all steps may keep a visit, s, and steps that are made however long they take: of any
#: two points each of the four combinations comes about six times.
_EXCHANGING, _LEAST = 45.0, 24
#: Steps between two frames over each port; frames lost, from the first on, after which a port is no longer used.
_PORT_EVERY, _PORT_DEAD = 5, 3
#: Frames over each port while every output is on, of which one must come back.
_HELD_FRAMES = 4
_CONFIDENCE = 0.95
#: The first steps: every output off or on beside every input off or on.
_CORNERS = 4
#: The vectors are the same in every visit.
_SEED = 20
#: Share of the steps with another point on in which one that is coupled to it is wrong at least; the same of the frames
#: of a port, which may lose some by itself.
_COUPLED, _DISTURBED = 0.25, 0.8
#: Largest probability that another point is on by chance in all the steps in which one is wrong.
_CHANCE = 0.01
#: So many outputs that should be on and are off, with no other on, may be those of a unit that is no longer live.
_LEFT = 2
#: Steps in which a point may be wrong by a link that misreads here and there.
_TWICE = 2
#: Share of the steps in which a point is wrong that has a fault of its own beside a unit that left live.
_FEW = 0.05
#: Steps from one look at what a unit tells of itself, and at lamps and current without an output on, to the next.
_LOOK_EVERY = 2
#: For how long after a step outputs that must be off are looked at fast, s.
_CLOSELY = 1.0
#: Looks on end in which an output that is held on must be off, after the first, to be off; and the last currents, one a
#: second, the middle one of which is what the unit draws at last.
_CONFIRMED, _LAST = 2, 10
#: Share of its range from which an analog channel counts as on.
_MIDDLE = 0.5


@dataclass(slots=True)
class Together:
    """The result of the steps: by point how it was driven in each, and in which steps it was wrong, with words."""

    driven: dict[str, list[bool]] = field(default_factory=dict)
    wrong: dict[str, dict[int, str]] = field(default_factory=dict)
    #: What was said first of points that went off, or wrong, while every output and input was held on.
    went_off: dict[str, str] = field(default_factory=dict)
    #: How often an output that was held on was off in one look and on in the next; when they were looked at, s.
    flickers: Counter[str] = field(default_factory=Counter)
    held_at: list[float] = field(default_factory=list)
    #: Ports over which no frame came back, and when: for example while every output was held on.
    mute: dict[str, str] = field(default_factory=dict)
    #: Points that stayed on when they were released after that.
    stayed: list[str] = field(default_factory=list)
    #: What is to be reported of a unit that left live by itself.
    left: str = ""
    #: How often the stand saw another indicator than healthy, and which; how often it looked.
    indicators: Counter[Indicator] = field(default_factory=Counter)
    lamp_looks: int = 0
    #: By point: how often it was read wrong over the link, and right when it was read again at once.
    misread: Counter[str] = field(default_factory=Counter)
    #: By place, in words: what the unit told of itself, twice on end, and not at first; how often it was asked.
    reports: dict[str, str] = field(default_factory=dict)
    asked: int = 0
    #: Currents of the unit beyond what it may draw, A, as read with no output on.
    too_much: list[float] = field(default_factory=list)
    #: Whether every output was held on to the end, and in words that the unit drew too much then.
    held: bool = False
    held_current: str = ""
    #: Where in its range each analog channel stood in each step, as a share.
    shares: dict[str, list[float]] = field(default_factory=dict)
    #: Steps in which a frame went over each port, and those in which it was lost.
    framed: dict[str, set[int]] = field(default_factory=dict)
    lost: dict[str, set[int]] = field(default_factory=dict)
    steps: int = 0
    planned: int = STEPS

    def failure(self) -> tuple[list[str], str]:
        """Return where anything was wrong, and a sentence; empty where nothing was.

        A point that is wrong in no step but those in which another is on, and in half of these at least, is coupled to
        it: both are places.
        """
        places: dict[str, None] = {}
        words = []
        where, misread = link_check.misread(self.misread)
        for name, steps in self.wrong.items():
            if name not in where and name in self.misread and len(steps) <= _TWICE:
                continue  # a link that misreads one point after another does so twice on end at times
            if self.left and len(steps) < _FEW * self.steps:
                continue  # as it left live, or came back
            by = self._coupled_to(name, set(steps), range(self.steps))
            places.update(dict.fromkeys((name, *by)))
            first = next(iter(steps.values()))
            coupled = f", only while {' or '.join(by)} is on" if by else ""
            words.append(f"{name} was wrong in {len(steps)} of {self.steps} steps{coupled}: {first}")
        for name, lost in self.lost.items():
            for other in self._coupled_to(name, lost, self.framed[name], share=_DISTURBED):
                places.update({name: None, other: None})
                words.append(
                    f"{name} lost {len(lost)} of {len(self.framed[name])} frames, only while {other} is on"
                )
        if self.left:
            places[f"mode {Mode.LIVE}"] = None
            words.append(self.left)
        if where:
            places.update(dict.fromkeys(where))
            words.append(misread)
        for place, said in (*self._of_itself(), *self._while_held()):
            places[place] = None
            words.append(said)
        return list(places), "; ".join(words)

    def _of_itself(self) -> Iterator[tuple[str, str]]:
        """Yield what was wrong with lamps, what it told of itself, and current, with its place."""
        if 0 < self.indicators.total() == self.lamp_looks:
            yield "indicator", f"the stand saw the indicator {' and '.join(self.indicators)}"
        if self.too_much:
            most, looks = 1e3 * max(self.too_much), len(self.too_much)
            yield "supply", f"with no output on, the unit drew up to {most:.4g} mA in {looks} looks"
        yield from ((place, f"of {place}, {said}") for place, said in self.reports.items())
        if self.held_current:
            yield "supply", self.held_current

    def _while_held(self) -> Iterator[tuple[str, str]]:
        """Yield what was wrong while every output was held on, or after it, with its place."""
        yield from ((name, f"{name} carries no frame {when}") for name, when in self.mute.items())
        yield from ((name, f"{name} {said}, every output on") for name, said in self.went_off.items())
        yield from (
            (name, f"{name} stayed on when it was released after a long time") for name in self.stayed
        )

    def note_off(self, points: Mapping[str, str], when: str) -> None:
        """Take note, in words, of points that are wrong while every output is held on, and were right before."""
        for name, words in points.items():
            if name not in self.wrong and name not in self.stayed:
                self.went_off.setdefault(name, f"{words} {when}")

    def note_stayed(self, points: Iterable[str]) -> None:
        """Take note of points that stay on when they are released, and were right before."""
        self.stayed += [name for name in points if name not in self.wrong]

    def require_steady(self) -> None:
        """Raise UnitOrHarness for what was wrong in single looks: a lamp or an output flickers, or its channel."""
        flickers = [name for name in self.flickers if name not in self.went_off]
        words = []
        if flickers:
            words.append(
                f"Held on, {', '.join(flickers)} was off in single ones of {len(self.held_at)} looks: an output that "
                "goes off at times, or its channel"
            )
        if self.indicators:
            words.append(
                f"The stand saw the indicator {' and '.join(self.indicators)} in {self.indicators.total()} of "
                f"{self.lamp_looks} looks: a lamp that flickers, or its channel"
            )
            flickers.append("indicator")
        if words:
            raise UnitOrHarness(". ".join(words), places=flickers)

    def _coupled_to(
        self, name: str, wrong: set[int], tried: Collection[int], *, share: float = _COUPLED
    ) -> list[str]:
        """Return the one point that is on in all steps that were wrong, where that many of its steps were."""
        if len(self.driven) * 0.5 ** len(wrong) > _CHANCE:  # each of the others is on in half of the steps
            return []
        found = []
        for other, driven in self.driven.items():
            on = {step for step in tried if driven[step]}
            if other != name and wrong <= on and len(wrong) >= share * len(on):
                found.append(other)
        return found if len(found) == 1 else []

    def proven(self) -> str:
        """Return what steps without an error show, in a sentence: of what was driven, and no more."""
        share = upper_bound(0, self.steps, _CONFIDENCE)
        fewer = f" ({STEPS} with quicker answers of unit and I/O)" if self.planned < STEPS else ""
        none_wrong = (
            f"with {100 * _CONFIDENCE:.0f} % confidence a point is wrong in fewer than {100 * share:.1f} % of its "
            "changes"
        )
        words = [
            f"{self.steps} steps{fewer} with every point at once, none of {len(self.driven)} wrong: {none_wrong}"
        ]
        if self.shares:
            words.append(
                f"Each of {len(self.shares)} analog channels stood once in each {self.steps}th of its range"
            )
        if self.asked:
            words.append(f"What the unit tells of itself did not change in {self.asked} looks")
        for name, framed in self.framed.items():
            words.append(f"{name} lost {len(self.lost[name]) or 'none'} of {len(framed)} short frames")
        if self.held:
            gap = max((after - before for before, after in pairwise(self.held_at)), default=HOLD)
            words.append(
                f"Every output carried its load for {HOLD} s, looked at {len(self.held_at)} times (what was off for "
                f"less than {1e3 * gap:.0f} ms may have passed unseen), and went off when it was released, once"
            )
        return ". ".join(words)


def run_together(unit: Unit, clock: Clock) -> Together:
    """Drive every point of a unit that goes live, all at once, and compare all of them in each step.

    Then every output is held on under its load for a while. Everything is released afterwards. Raises UnitFault when
    the unit does not go live or does not answer, StandFault where a drive let go.
    """
    live = Mode.LIVE in unit.profile.mode_list()
    if live:
        unit.modes.move_to(Mode.LIVE)
    outputs = unit.outputs.names if live else ()
    try:
        reports = OwnReports(unit, unit.modes.reported())
        found = _drive(unit, clock, reports, outputs, _affordable(unit, clock, outputs), analog_outputs=live)
        if outputs:
            _hold(unit, clock, reports, found)
    finally:
        _release(unit, outputs)
    unit.require_drives()
    return found


def _affordable(unit: Unit, clock: Clock, outputs: tuple[str, ...]) -> int:
    """Return how many steps are made: fewer where their exchanges take long, with a unit or an I/O that answers slowly.

    In each step the points are written, read back and looked at, which takes about as long as three looks at each kind.
    """
    begun = clock.now()
    for _ in range(3):
        if outputs:
            unit.outputs.seen()
        if unit.inputs.names:
            unit.inputs.reported()
        if unit.analog.names:  # which are written and read over the link, too
            unit.modes.reported()
    each = clock.now() - begun
    return STEPS if STEPS * each <= _EXCHANGING else max(_LEAST, int(_EXCHANGING / each))


def quiet_modes(profile: Profile) -> tuple[Mode, ...]:
    """Return the modes in which outputs are off and a unit reports its inputs: where it starts, and held."""
    return tuple(
        mode
        for mode in profile.mode_list()
        if mode is not Mode.LIVE and mode in (profile.modes.at_start, Mode.HELD)
    )


def wrong_when_quiet(unit: Unit, clock: Clock) -> tuple[list[str], str]:
    """Drive every input in each mode in which outputs are off; return which are wrong there, and ports, and a sentence.

    The outputs are watched meanwhile. Raises UnitFault when the unit does not reach a mode, or has an output on in one.
    """
    places: dict[str, None] = {}
    said = []
    for mode in quiet_modes(unit.profile):
        unit.modes.move_to(mode)
        try:
            steps = max(_LEAST // 3, QUIET_STEPS * _affordable(unit, clock, ()) // STEPS)
            found = _drive(unit, clock, OwnReports(unit, mode), (), steps, analog_outputs=False)
        finally:
            _release(unit, ())
        for name, lost in found.lost.items():
            if lost == found.framed[name]:
                found.mute[name] = "at all"
        if (seen := unit.modes.reported()) is not mode:
            places[f"mode {mode}"] = None
            said.append(f"in mode {mode} for some seconds, the unit is {seen} by itself")
            continue
        where, words = found.failure()
        if where:
            places.update(dict.fromkeys(where))
            said.append(f"in mode {mode}: {words}")
        else:
            found.require_steady()
    unit.require_drives()
    outputs_off.fail_on_seen(unit)
    return list(places), "; ".join(said)


def _drive(
    unit: Unit,
    clock: Clock,
    reports: OwnReports,
    outputs: tuple[str, ...],
    steps: int,
    *,
    analog_outputs: bool,
) -> Together:
    """Drive so many vectors in the mode that the unit is in, these outputs among them, and compare each."""
    found = Together(planned=steps, misread=unit.baseline.misread)
    vectors = random.Random(_SEED)  # noqa: S311 - a test pattern, not a secret
    channels = [name for name, c in unit.analog.channels.items() if analog_outputs or not c.is_output]
    names = [*outputs, *unit.inputs.names, *channels]
    found.shares = {name: _spread(vectors, steps) for name in channels}
    found.driven = {
        name: [share >= _MIDDLE for share in found.shares[name]]
        if name in found.shares
        else _balanced(vectors, steps)
        for name in names
    }
    for step in range(min(_CORNERS, steps)):
        found.driven |= {name: _with(found.driven[name], step, on=step % 2 > 0) for name in outputs}
        found.driven |= {name: _with(found.driven[name], step, on=step > 1) for name in unit.inputs.names}
    for step in range(steps):
        unit.off_watch.watch_closely(_CLOSELY)
        if names:
            _step(unit, clock, found, {name: found.driven[name][step] for name in names}, outputs)
        if not outputs and step % _LOOK_EVERY == 0:
            _look_quietly(unit, found)
        if step % _LOOK_EVERY == 0:
            _ask(reports, found, f"in step {step + 1}")
        if step % _PORT_EVERY == 0:
            _send_frames(unit, found, step)
    return found


def _ask(reports: OwnReports, found: Together, when: str) -> None:
    """Ask the unit what it tells of itself, once more where that has changed: it may have been misread."""
    if found.left:
        return
    found.asked += 1
    changed = reports.changed()
    again = reports.changed() if changed else {}
    found.misread.update(changed.keys() - again.keys())
    for place, words in again.items():
        if place in changed:
            found.reports.setdefault(place, f"{words}, {when}")


def _look_quietly(unit: Unit, found: Together) -> None:
    """Look at what a unit without an output on shows, and at what it draws."""
    _look_at_lamps(unit, found)
    drawn = unit.supply.current()
    if drawn.value - drawn.expanded_uncertainty > unit.limits.any_current.high:
        found.too_much.append(drawn.value)


def _release(unit: Unit, outputs: tuple[str, ...]) -> None:
    if outputs:
        unit.outputs.command()
    if unit.inputs.names:
        unit.inputs.release()
    unit.analog.release()


def _step(
    unit: Unit, clock: Clock, found: Together, on: Mapping[str, bool], outputs: tuple[str, ...]
) -> None:
    """Drive one vector, and compare every point with it."""
    inputs, analog = unit.inputs, unit.analog
    if outputs:
        unit.outputs.command(*(name for name in outputs if on[name]))
    if inputs.names:
        inputs.command(*(name for name in inputs.names if on[name]))
    analog.set(
        {
            name: analog.channels[name].point.scale.at(shares[found.steps])
            for name, shares in found.shares.items()
        }
    )
    settle = max(unit.outputs.settle, inputs.settle)
    clock.sleep(settle + unit.outputs.lag)
    sensed = unit.outputs.seen() if outputs else {}
    late = {name for name, is_on in sensed.items() if is_on is not on[name]}
    if late and all(found.steps and found.driven[name][found.steps - 1] is sensed[name] for name in late):
        # Perhaps the stand has shown the last step too long. That a point is late is found by the patterns.
        clock.sleep(PATIENCE * settle)
        sensed = unit.outputs.seen()
    wrong = {name: _words(on[name], is_on) for name, is_on in sensed.items() if is_on is not on[name]}
    if mode := _left_for(unit, sensed, len(wrong)):
        found.left = found.left or f"the unit was {mode} in step {found.steps + 1}, and no output was on"
    else:
        wrong |= _wrong_values(unit, on, found)
        for name, words in wrong.items():
            found.wrong.setdefault(name, {})[found.steps] = words
    found.steps += 1


def _left_for(unit: Unit, sensed: Mapping[str, bool], off: int) -> Mode | None:
    """Return the mode that a unit has left live for, of whose outputs so many are wrongly off, all at once.

    None where others are on, too few are off, or it is live: then each has a cause of its own.
    """
    if off < _LEFT or any(sensed.values()) or (mode := unit.modes.reported()) is Mode.LIVE:
        return None
    return mode


def _wrong_values(unit: Unit, on: Mapping[str, bool], found: Together) -> dict[str, str]:
    """Return which inputs and analog channels are not as they are driven, and in words how.

    An input is read again at once; where it is right then, it was misread.
    """
    wrong = _wrong_inputs(unit, on)
    if wrong:
        unit.doubt(unit.inputs.driven({name: on[name] for name in wrong}))
        again = _wrong_inputs(unit, on)
        found.misread.update(wrong.keys() - again.keys())
        wrong = again
    for name, look in unit.analog.look().items():
        if unit.analog.is_beyond(name, look):
            wrong[name] = f"it says {look.found:.5g} where {look.expected:.5g} is right"
    return wrong


def _wrong_inputs(unit: Unit, on: Mapping[str, bool]) -> dict[str, str]:
    return {n: _words(on[n], is_on) for n, is_on in _reported(unit).items() if is_on is not on[n]}


def _reported(unit: Unit) -> dict[str, bool]:
    return unit.inputs.reported() if unit.inputs.names else {}


def _words(driven: bool, seen: bool) -> str:
    return f"driven {'on' if driven else 'off'}, seen {'on' if seen else 'off'}"


def _hold(unit: Unit, clock: Clock, reports: OwnReports, found: Together) -> None:
    """Hold every output on, and each half of the inputs in turn; note which change, lose too much, or stay on at last.

    One that was wrong before has been reported.
    """
    outputs, inputs = unit.outputs, unit.inputs
    outputs.command(*outputs.names)
    settle = max(outputs.settle, inputs.settle)
    clock.sleep(settle + outputs.lag)
    alive = [name for name, framed in found.framed.items() if len(found.lost[name]) < len(framed)]
    for name in alive:
        if not any(_carries(unit, name) for _ in range(_HELD_FRAMES)):
            found.mute[name] = "while every output is on"
    currents: list[Measured] = []
    begun = clock.now()
    for half, held in enumerate((inputs.names[::2], inputs.names[1::2])):
        on = {name: name in held for name in inputs.names}
        if inputs.names:
            inputs.command(*held)
        clock.sleep(settle)
        found.note_stayed(_still_on(unit, on))
        second = half * HOLD // 2
        while second < (half + 1) * HOLD // 2:
            second = min(HOLD, max(second, int(clock.now() - begun)) + 1)
            _watch(unit, clock, found, on, (begun + second, f"within {second} s"))
            _look_at_lamps(unit, found)
            _ask(reports, found, f"within {second} s of every output on")
            currents.append(unit.supply.current())
            clock.sleep_until(begun + second)
    found.held_current = _too_much_held(unit, currents)
    if not found.left:
        found.note_off(margins.beyond_drop(unit), f"after {HOLD} s")
    outputs.command()
    if inputs.names:
        inputs.command()
    clock.sleep(settle)
    found.note_stayed(name for name, is_on in outputs.sensed().items() if is_on)
    found.note_stayed(_still_on(unit, dict.fromkeys(inputs.names, False)))
    for name in alive:
        if name not in found.mute and not found.lost[name] and not _carries(unit, name):
            found.mute[name] = f"at first, after {HOLD} s without any"
    found.held = True


def _still_on(unit: Unit, on: Mapping[str, bool]) -> list[str]:
    """Return the inputs that are not driven and reported on in two looks."""
    return [name for name in _wrong_inputs(unit, on) if not on[name] and name in _wrong_inputs(unit, on)]


def _too_much_held(unit: Unit, currents: Sequence[Measured]) -> str:
    """Return in words that a unit with every output on draws more than it may at last; empty if not."""
    last = sorted(currents[-_LAST:], key=lambda drawn: drawn.value)
    drawn, limits = last[len(last) // 2], unit.limits.loaded_current
    most = unit.limits.any_current.high if limits is None or limits.high is None else limits.high
    if drawn.value - drawn.expanded_uncertainty <= most:
        return ""
    return f"after {HOLD} s with every output on, the unit drew {1e3 * drawn.value:.4g} mA"


def _watch(
    unit: Unit, clock: Clock, found: Together, on: Mapping[str, bool], until: tuple[float, str]
) -> None:
    """Look at all points, again and again until an instant, with every output and these inputs held on."""
    instant, when = until
    while True:
        found.held_at.append(clock.now())
        sensed = _sensed_on(unit, found)
        if mode := _left_for(unit, sensed, len(sensed)):
            found.left = found.left or f"the unit was {mode} {when} of live with every output on"
        else:
            off = {name: "went off" for name, is_on in sensed.items() if not is_on}
            wrong = _wrong_values(unit, on, found)
            again = _wrong_values(unit, on, found) if wrong else {}
            off |= {name: words for name, words in wrong.items() if name in again}
            if off and (mode := unit.modes.reported()) is not Mode.LIVE:
                found.left = found.left or f"the unit was {mode} {when} of live with every output on"
            else:
                found.note_off(off, when)
        if clock.now() + _GLANCE > instant:
            return
        clock.sleep(_GLANCE)


def _sensed_on(unit: Unit, found: Together) -> dict[str, bool]:
    """Return which outputs that are held on are sensed so; one that is off in one look flickers, or its channel."""
    outputs = unit.outputs
    sensed = outputs.seen()
    if all(sensed.values()):
        return sensed
    again = [outputs.sensed() for _ in range(_CONFIRMED)]
    on = {name: is_on or any(look[name] for look in again) for name, is_on in sensed.items()}
    found.flickers.update(name for name, is_on in on.items() if is_on and not sensed[name])
    return on


def _look_at_lamps(unit: Unit, found: Together) -> None:
    seen = unit.indicator_on_stand(at_once=True)
    found.lamp_looks += seen is not None
    if seen not in (None, Indicator.HEALTHY):
        found.indicators[seen] += 1


def _send_frames(unit: Unit, found: Together, step: int) -> None:
    """Send a short frame over each port at its first speed, and note whether it came back."""
    for name in unit.ports.names:
        framed, lost = found.framed.setdefault(name, set()), found.lost.setdefault(name, set())
        if len(lost) == len(framed) >= _PORT_DEAD:
            continue
        framed.add(step)
        if not _carries(unit, name):
            lost.add(step)


def _carries(unit: Unit, port: str) -> bool:
    try:
        return unit.ports.carries_one(port)
    except UnitFault:
        return False


def _spread(vectors: random.Random, steps: int) -> list[float]:
    """Return one share of a range in each of as many equal parts as there are steps, in an order of its own."""
    shares = [(number + vectors.random()) / steps for number in range(steps)]
    vectors.shuffle(shares)
    return shares


def _with(column: list[bool], step: int, *, on: bool) -> list[bool]:
    return [*column[:step], on, *column[step + 1 :]]


def _balanced(vectors: random.Random, steps: int) -> list[bool]:
    column = [number % 2 == 0 for number in range(steps)]
    vectors.shuffle(column)
    return column
