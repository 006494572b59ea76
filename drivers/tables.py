"""What every port's and every source's table of a rig file has, whatever driver it names. Only what is said, nothing that runs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo
from pydantic_core import PydanticKnownError

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

KEPT = "kept"
"""In the context of a validation: the table was read once and stands in a recording. What was made a number then is one still."""


def _only(fits: Callable[[object], bool], refusal: Literal["float_type", "int_type", "bool_type"]) -> BeforeValidator:
    def validate(given: Any, info: ValidationInfo) -> Any:
        if not fits(given) and not (info.context or {}).get(KEPT, False):
            raise PydanticKnownError(refusal)
        return given

    return BeforeValidator(validate)


NUMBER = _only(lambda it: isinstance(it, int | float) and not isinstance(it, bool), "float_type")
"""Last in the Annotated of a bare float, with a point or without: no text that holds one, and no true, which Python counts as 1."""
WHOLE = _only(lambda it: type(it) is int, "int_type")
"""Last in that of an int, or of a Literal of some: no text, and neither true nor 1.0, which Python calls equal to 1."""
FLAG = _only(lambda it: isinstance(it, bool), "bool_type")
"""Last in that of a bool: no 1, no word."""

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
