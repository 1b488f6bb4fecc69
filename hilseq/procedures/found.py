"""The state in which a stand is found: outputs, settings and drives, read before anything is touched."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from hilseq.description.stand import Stand
from hilseq.errors import HilseqError
from hilseq.instruments.signals import SignalBank
from hilseq.instruments.supply import PowerSupply

#: Drives that are named; of more, the number is reported.
_NAMED = 4


@dataclass(frozen=True, slots=True)
class FoundPart:
    """One instrument as it was found: `at_rest` is None where that could not be read."""

    part: str
    at_rest: bool | None
    words: str

    @property
    def is_on(self) -> bool:
        """Return whether it is a supply whose output is on."""
        return self.part.startswith("supply ") and self.at_rest is False


def found_state(
    stand: Stand,
    supplies: Mapping[str, PowerSupply],
    signals: SignalBank,
    parts: Sequence[str],
    others: Collection[str] = (),
) -> Iterator[FoundPart]:
    """Read each of the parts (`supply main`, `io rack`); nothing is set. What does not answer is reported as that.

    What drives the slots that others work on is theirs, and not looked at.
    """
    for part in parts:
        sort, _, name = part.partition(" ")
        try:
            if sort == "supply":
                yield _supply(part, supplies[name])
            else:
                drives = [
                    drive
                    for drive, at in stand.signals.items()
                    if at.io == name and at.drives is not None and at.drives.partition(".")[0] not in others
                ]
                if drives:
                    yield _drives(part, stand, signals, drives)
        except HilseqError as error:
            yield FoundPart(part, None, f"could not be read: {error}")


def _supply(part: str, supply: PowerSupply) -> FoundPart:
    seen = supply.look()
    settings = ", ".join(
        f"{value:.4g} {setting.unit} as its {setting}" for setting, value in seen.settings.items()
    )
    words = f"was ON at {seen.volts:.3g} V, delivering {seen.amperes:.3g} A" if seen.on else "was off"
    return FoundPart(part, not seen.on, words + (f", with {settings}" if settings else ""))


def _drives(part: str, stand: Stand, signals: SignalBank, drives: list[str]) -> FoundPart:
    seen = signals.snapshot(drives)
    # A drive of few steps may not hold its value at rest to the last digit.
    away = {
        drive: value
        for drive, value in seen.items()
        if abs(value - stand.signals[drive].safe_value) > max(stand.signals[drive].step, 1e-9)
    }
    if not away:
        return FoundPart(part, True, f"had its {len(drives)} drive{'s' if len(drives) != 1 else ''} at rest")
    named = ", ".join(
        f"{drive} at {value:.4g} {stand.signals[drive].unit}".rstrip()
        for drive, value in list(away.items())[:_NAMED]
    )
    more = f" and {len(away) - _NAMED} more" if len(away) > _NAMED else ""
    return FoundPart(part, False, f"had {len(away)} of {len(drives)} drives not at rest: {named}{more}")
