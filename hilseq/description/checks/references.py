"""What a stand file names is there, and each terminal has one drive."""

from __future__ import annotations

from collections.abc import Iterable

from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.nearest import nearest_word
from hilseq.description.source_position import Place
from hilseq.description.stand import Calibration, Stand

#: Most names that a message lists.
_LISTED = 20


def _unknown(place: Place, word: str, what: str, known: Iterable[str], section: Place) -> Finding:
    names = list(known)
    return Finding(
        place,
        f"there is no {what} {word!r} in this file",
        f"one of {', '.join(names[:_LISTED])}{' ...' if len(names) > _LISTED else ''}"
        if names
        else f"a {what}",
        nearest_word(word, names),
        absent=(*section, word),
    )


def signals_name_their_io(stand: Stand) -> Findings:
    """Each signal belongs to an I/O simulator of the file."""
    for name, signal in stand.signals.items():
        if signal.io not in stand.io:
            yield _unknown(("signals", name, "io"), signal.io, "io", stand.io, ("io",))


def terminals_name_a_slot(stand: Stand) -> Findings:
    """Each terminal that a signal drives or senses belongs to a slot of the file."""
    for name, signal in stand.signals.items():
        for key, terminal in (("drives", signal.drives), ("senses", signal.senses)):
            slot = (terminal or "").partition(".")[0]
            if terminal is not None and slot not in stand.slots:
                yield _unknown(("signals", name, key), slot, "slot", stand.slots, ("slots",))


def slots_name_their_supply(stand: Stand) -> Findings:
    """Each slot is fed by a supply of the file."""
    for name, slot in stand.slots.items():
        if slot.supply not in stand.supplies:
            yield _unknown(("slots", name, "supply"), slot.supply, "supply", stand.supplies, ("supplies",))


def loopbacks_join_two_signals(stand: Stand) -> Findings:
    """Require that a loopback writes a signal that can be written and reads another."""
    for name, loopback in stand.loopbacks.items():
        for key, word in (("drive", loopback.drive), ("sense", loopback.sense)):
            place = ("loopbacks", name, key)
            signal = stand.signals.get(word)
            if signal is None:
                yield _unknown(place, word, "signal", stand.signals, ("signals",))
            elif key == "drive" and (signal.senses is not None or not signal.writable):
                wrong = f"the signal {word!r} cannot be driven: it is {signal.address_in_words}"
                if signal.senses is not None:
                    wrong = f"the signal {word!r} cannot be driven: it senses {signal.senses}"
                yield Finding(place, wrong, "a signal that can be written and senses nothing")
            elif key == "sense" and signal.drives is not None:
                yield Finding(
                    place,
                    f"the signal {word!r} drives {signal.drives}",
                    "a signal that senses, or a free one",
                )
        if loopback.drive == loopback.sense:
            yield Finding(("loopbacks", name), f"both ends are {loopback.drive!r}", "two different signals")


def ambient_is_a_temperature(stand: Stand) -> Findings:
    """Require a thermometer in degC where one is named, and one to be named where a calibration needs it."""
    if stand.ambient is not None and stand.ambient not in stand.signals:
        yield _unknown(("ambient",), stand.ambient, "signal", stand.signals, ("signals",))
    elif stand.ambient is not None and stand.signals[stand.ambient].unit != "degC":
        wrong = f"the signal {stand.ambient!r} is no temperature"
        yield Finding(("ambient",), wrong, "a signal with `unit: degC`")
    calibrations: list[tuple[Place, Calibration | None]] = [
        *(
            (("supplies", name, "calibration", "per-kelvin"), s.calibration)
            for name, s in stand.supplies.items()
        ),
        *((("io", name, "calibration", "per-kelvin"), io.calibration) for name, io in stand.io.items()),
        *(
            (("signals", name, "calibration", "per-kelvin"), s.calibration)
            for name, s in stand.signals.items()
        ),
    ]
    for place, calibration in calibrations:
        if calibration is not None and calibration.per_kelvin and stand.ambient is None:
            wrong = "how far a temperature is from that of the calibration cannot be told on this stand"
            yield Finding(place, wrong, "`ambient: NAME` of the signal that measures it", topic="ambient")


def interlocks_watch_a_signal(stand: Stand) -> Findings:
    """Require that an interlock watches a signal the stand does not set, which can have the safe value."""
    for name, interlock in stand.safety.interlocks.items():
        place = ("safety", "interlocks", name)
        signal = stand.signals.get(interlock.signal)
        if signal is None:
            yield _unknown((*place, "signal"), interlock.signal, "signal", stand.signals, ("signals",))
        elif signal.drives is not None:
            wrong = f"the signal {interlock.signal!r} is driven by the stand itself ({signal.drives})"
            yield Finding((*place, "signal"), wrong, "a signal that only reads")
        elif signal.is_bit and interlock.safe not in (0, 1):
            wrong = f"the signal {interlock.signal!r} is one bit and is never {interlock.safe:g}"
            yield Finding((*place, "safe"), wrong, "0 or 1")


def terminals_have_one_drive(stand: Stand) -> Findings:
    """No two signals drive one terminal: they would fight, and one may burn."""
    driven: dict[str, str] = {}
    for name, signal in stand.signals.items():
        if signal.drives is None:
            continue
        if signal.drives in driven:
            wrong = f"the terminal {signal.drives} is driven twice, by {driven[signal.drives]!r} and {name!r}"
            place = ("signals", name, "drives")
            yield Finding(place, wrong, "one drive for each terminal", topic="driven twice")
        else:
            driven[signal.drives] = name


def rests_fit_their_signal(stand: Stand) -> Findings:
    """Require that the value of a drive in the safe state can be written."""
    for name, signal in stand.signals.items():
        if signal.is_bit and signal.safe_value not in (0, 1):
            wrong = f"the signal {name!r} is one bit and cannot rest at {signal.safe_value:g}"
            yield Finding(("signals", name, "safe-value"), wrong, "0 or 1", topic="safe-value")
