"""The intake file: what is known of a unit before it is powered."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field, WithJsonSchema

from hilseq.description.fields import Model

#: A value is kept as it is written: `0012` stays `0012`, though YAML reads a number.
AsWritten = Annotated[str | int | float | bool, WithJsonSchema({"type": ["string", "number", "boolean"]})]


class IntakeSheet(Model):
    """What is known of one unit. A file holds one, or one for each slot under the slot's name.

    A stand file's `intake` adds keys of a shop's own, which begin with a capital letter.
    """

    model_config = ConfigDict(
        json_schema_extra={"patternProperties": {"^[A-Z].": {"type": ["string", "number", "boolean"]}}}
    )

    serial: AsWritten = Field(default="", description="serial number on the label (as `--serial`)")
    part: AsWritten = Field(
        default="", description="part number on the label: finds the profile where no `--unit` is given"
    )
    revision: AsWritten = Field(default="", description="hardware revision on the label")
    work_order: AsWritten = Field(default="", description="number of the work order")
    customer: AsWritten = Field(default="", description="whose unit it is; stands on the certificate")
    address: AsWritten = Field(default="", description="the customer's address; stands on the certificate")
    repair: AsWritten = Field(
        default="",
        description="what was done since the unit was here, best by the name of a cause in its profile: the records "
        "count what cured it",
    )
    complaint: AsWritten = Field(default="", description="why the unit came")
    outside_condition: AsWritten = Field(
        default="", description="what is seen from outside: scratches, corrosion, broken parts"
    )
    battery_date: AsWritten = Field(
        default="", description="date on the memory battery, YYYY-MM-DD or YYYY-MM"
    )
    battery_pulled: AsWritten = Field(
        default="", description="yes when the battery is taken out, no when it is in"
    )
    operator: AsWritten = Field(default="", description="name of who stands at the stand")
    remarks: AsWritten = Field(default="", description="anything else")
