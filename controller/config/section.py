"""What every part of the file has in common.

1. A section is frozen and refuses what it does not know.
2. Nothing is turned into something else on the way: `yes` is no number, `"12"` is no number.
"""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError, core_schema

from controller.errors import GeometryError

LINE_MAX: Final = 1023  # lines of one chip; the largest known to us has a few hundred
_FORWARD: Final = re.compile(r"(GPIO|BCM)?0*(\d+)", re.IGNORECASE)


class Section(BaseModel):
    """A part of the file: frozen, and refusing what it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Taped(Section):
    """A length or angle somebody measured, and how well (one standard deviation)."""

    value: float = Field(description="What was measured, in the unit that ends the name above.")
    sigma: float = Field(
        gt=0, le=1000, description="How well it was measured: one standard deviation."
    )


@dataclass(frozen=True)
class Within:
    """Bounds for the `value` of a `Taped`, both included."""

    low: float
    high: float

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_after_validator_function(self._checked, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        bounds = {"value": {"minimum": self.low, "maximum": self.high}}
        return {"allOf": [handler(schema), {"properties": bounds}]}

    def _checked(self, taped: Taped) -> Taped:
        if not self.low <= taped.value <= self.high:
            raise PydanticCustomError(
                "taped_bounds",
                "value must be from {low} to {high}, not {value}",
                {"low": f"{self.low:g}", "high": f"{self.high:g}", "value": f"{taped.value:g}"},
            )
        return taped


def pin_identity(pin: str | int) -> str | int:
    """Return what two writings of one line have in common: `GPIO17`, `bcm17` and 17 are 17."""
    match = _FORWARD.fullmatch(str(pin).strip())
    return int(match[2]) if match else str(pin).strip().upper()


def _pin(raw: object) -> object:
    if isinstance(raw, bool) or not isinstance(raw, str | int):
        raise PydanticCustomError(
            "pin", "must be a line number such as 17, or a name that the pin factory knows"
        )
    if isinstance(raw, int) and not 0 <= raw <= LINE_MAX:
        raise PydanticCustomError(
            "pin",
            "must be a line number from 0 to {high}, not {value}",
            {"high": LINE_MAX, "value": raw},
        )
    if isinstance(raw, str) and not re.fullmatch(r"\S.{0,39}", raw.strip()):
        raise PydanticCustomError("pin", "must be a name of 1 to 40 characters")
    return raw


def _slot(raw: object) -> object:
    if not isinstance(raw, str):
        return raw
    # numpy behind it costs a tenth of a second, and a file may give every slot as a number.
    from controller.geometry.slots import parse_slot  # noqa: PLC0415

    try:
        return parse_slot(raw)
    except GeometryError as mistake:
        raise PydanticCustomError("slot", "{text}", {"text": str(mistake)}) from None


def at_home(path: Path) -> Path:
    """Return the path with a leading `~` or `~user` replaced where there is such a home."""
    try:
        return path.expanduser()
    except RuntimeError:
        return path


def _path(path: Path) -> Path:
    if "\0" in str(path):
        raise PydanticCustomError("path", "must be a name that a file can have")
    return at_home(path)


Pin = Annotated[str | int, BeforeValidator(_pin)]  # a GPIO line: number, or a name
SlotDeg = Annotated[
    float,
    Field(gt=-180, le=180),
    BeforeValidator(_slot),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "number", "exclusiveMinimum": -180, "maximum": 180},
                {"type": "string", "pattern": "^ *[-+]?[0-9.,]+ *(°|deg)? *[EeWw]? *$"},
            ]
        }
    ),
]
FilePath = Annotated[Path, Field(strict=False), AfterValidator(_path)]
Text = Annotated[str, Field(min_length=1, max_length=120)]
