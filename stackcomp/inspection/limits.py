"""What the limits of a check are made of."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Amount", "Count", "Length", "Limits", "Number", "Share", "Some", "Stops"]

#: A part of a whole, 0 to 1.
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
#: Pixels or frames, whole.
Count = Annotated[int, Field(ge=0)]
#: The same, where at least one is needed.
Some = Annotated[int, Field(ge=1)]
#: The same as `Length`, where nothing at all makes no sense.
Amount = Annotated[float, Field(gt=0, allow_inf_nan=False)]
#: Stops; a hundred are more than any picture has.
Stops = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
#: Pixels, seconds and the like, 0 or more.
Length = Annotated[float, Field(ge=0, allow_inf_nan=False)]
#: Any number.
Number = Annotated[float, Field(allow_inf_nan=False)]


class Limits(BaseModel):
    """Base of the limits of a check.

    Each field has a default, and a description that gives its unit and the reason for the default; a limit that
    was chosen by eye says ``common practice, no source``.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)

    @classmethod
    def reasons(cls) -> dict[str, str]:
        """Name of each limit → what it is and why its default is what it is."""
        return {name: field.description or "" for name, field in cls.model_fields.items()}

    def changed(self, **values: Any) -> Any:
        """The same limits with some values replaced, validated."""
        return type(self).model_validate({**self.model_dump(), **values})
