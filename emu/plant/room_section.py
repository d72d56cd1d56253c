"""The `plant:` section of a heated room."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from wirevow.emu.plant.sections import Channel
from wirevow.protocol.document.plant import PlantUse


class RoomPlant(PlantUse):
    """A room with a heater, a window and a thermometer: one heat capacity, one sensor lag."""

    kind: Literal["room"] = Field(description="A heated room.")
    heater_watt: float = Field(gt=0.0, le=1e5, description="Heat at full drive.")
    loss_kelvin_per_watt: float = Field(gt=0.0, le=1e2, description="Room to outside, window closed.")
    window_kelvin_per_watt: float = Field(
        gt=0.0, le=1e2, description="Extra way to the outside, window open."
    )
    room_joule_per_kelvin: float = Field(gt=0.0, le=1e9, description="Heat capacity of the room.")
    sensor_lag_second: float = Field(default=20.0, ge=0.1, le=1e4, description="Time constant of the sensor.")
    outside_celsius: float = Field(
        default=10.0, ge=-60.0, le=60.0, description="Outside when no bench says otherwise."
    )
    start_celsius: float | None = Field(
        default=None, ge=-60.0, le=100.0, description="Room at the start; outside's."
    )
    open_reads_celsius: float = Field(
        default=-40.0, ge=-100.0, le=200.0, description="Reading of a broken sensor."
    )
    channel: Channel | None = Field(
        default=None, description="The thermometer's converter; ideal when absent."
    )
