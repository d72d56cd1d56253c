"""Parts of the `plant:` section that plants have in common.

Keys carry their SI unit as a suffix; numbers are floats in that unit.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from wirevow.protocol.document.plant import PlantSection, PlantUse, PythonClass

Bits = Annotated[int, Field(ge=6, le=24, description="Resolution in bits; leave out for an ideal converter.")]
GainError = Annotated[
    float, Field(ge=-0.2, le=0.2, description="Relative gain error: 0.01 makes 1 % too much.")
]
Bow = Annotated[
    float,
    Field(
        ge=-0.02, le=0.02, description="Integral non-linearity: error in mid-scale as a share of full scale."
    ),
]


class Channel(PlantSection):
    """A measuring converter: what becomes of a true value before the firmware sees it."""

    low: float = Field(ge=-1e4, le=1e4, description="Value at code 0, in the unit of the signal.")
    high: float = Field(
        ge=-1e4, le=1e4, description="Value one step above the last code, in the unit of the signal."
    )
    bits: Bits | None = None
    gain_error: GainError = 0.0
    offset: float = Field(
        default=0.0, ge=-1e3, le=1e3, description="Added to the value, in the unit of the signal."
    )
    bow: Bow = 0.0
    noise_rms: float = Field(default=0.0, ge=0.0, le=1e3, description="Standard deviation of one sample.")

    @model_validator(mode="after")
    def _rising(self) -> Channel:
        if self.high <= self.low:
            raise ValueError("high must be above low: they are the ends of the converter's range")
        return self


class PlantParameters(PlantUse):
    """Base of the parameters of a plant that is derived from `wirevow.Plant`."""

    python: PythonClass | None = None
    channels: dict[str, Channel] = Field(
        default={}, description="Measuring converters by signal; a signal not named here is ideal."
    )
