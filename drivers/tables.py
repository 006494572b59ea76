"""What every port's and every source's table of a rig file has, whatever driver it names. Only what is said, nothing that runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[
    str,
    Field(
        min_length=1,
        max_length=24,
        pattern=r"^[^\s/+#\x00-\x1f\x7f]+$",
        description="1 to 24 characters, no space and none of / + #",
    ),
]
"""A name that fits an alarm line and an MQTT topic level."""

Quantity = Literal["pressure", "length", "angle", "force", "temperature", "current", "voltage"]


class Strict(BaseModel):
    """A table of the rig file: unknown keys are faults, and what was read never changes."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class PortTable(Strict):
    """A wire, by its name and its driver. Each driver adds its own keys, and narrows `driver` to its own name."""

    name: Name
    driver: str

    def beside(self, _folder: Path) -> PortTable:
        """The same port, whatever files it names found from the rig file's folder where their names are relative."""
        return self


class SourceTable(Strict):
    """Where a channel's value stands on the wire of a port. Each driver adds its own keys."""

    port: Name

    def place(self) -> tuple[object, ...]:
        """What no other channel of the same port may have as well."""
        return (self,)
