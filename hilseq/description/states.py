"""The fixed words of the vocabulary that descriptions use: modes and indicator states."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from hilseq.description.registers import enum_word


class Mode(StrEnum):
    """What the unit does; `held` runs with its outputs held off."""

    STOPPED = "stopped"
    HELD = "held"
    LIVE = "live"


class Indicator(StrEnum):
    """What the unit's lamp says."""

    DARK = "dark"
    HEALTHY = "healthy"
    FAULTED = "faulted"


ModeWord = Annotated[Mode, enum_word(Mode)]
IndicatorWord = Annotated[Indicator, enum_word(Indicator)]
RawWord = Annotated[int, Field(ge=0, le=65535)]
