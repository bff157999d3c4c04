"""What the values of the tract file may be: names, amounts, columns, tables."""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field


def _as_text(value: object) -> object:
    """Let a whole number stand for a name (``ecodivision = 230``, ``WO = 802``)."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


Name = Annotated[str, Field(min_length=1), BeforeValidator(_as_text)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Column = Annotated[str | None, Field(min_length=1, description="the name of your column")]
FILE: Final = Field(min_length=1, description="a file name, from the tract file's own folder")
CRS: Final = Field(
    default=None, min_length=1, description='a coordinate system such as "EPSG:4326"'
)


class KeyTable(BaseModel):
    """A table of the tract file: unknown keys and wrong kinds are errors."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class LayerTable(KeyTable):
    """A table that names a vector layer."""

    file: str = FILE
    layer: str | None = Field(default=None, description="the layer's name within the file")
    crs: str | None = CRS


def _as_names(value: object) -> object:
    """Let one name stand for a list of one (``unit = "B"``)."""
    return [value] if isinstance(value, str | int) else value


Names = Annotated[tuple[Name, ...], BeforeValidator(_as_names), Field(strict=False)]
