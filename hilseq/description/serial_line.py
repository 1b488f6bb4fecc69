"""Speed and frame of a serial line, as the device at its far end was set."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hilseq.description.fields import Model

Speed = Annotated[int, Field(gt=0)]
Frame = Literal["8E1", "8O1", "8N1", "8N2", "7E1", "7O1"]


class SerialLine(Model):
    """Speed and character frame of a serial line."""

    speed: Speed = Field(default=19200, description="line speed in Bd, a plain number")
    frame: Frame = Field(default="8E1", description="data bits, parity, stop bits")


class TextLine(SerialLine):
    """Speed and character frame of a supply on a serial line; what VISA sets where nothing is said."""

    speed: Speed = Field(default=9600, description="line speed in Bd, a plain number")
    frame: Frame = Field(default="8N1", description="data bits, parity, stop bits")
