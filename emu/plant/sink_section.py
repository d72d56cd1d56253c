"""The `plant:` section of an electronic sink."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from wirevow.emu.plant.sections import Bits, Bow, Channel, GainError
from wirevow.protocol.document.plant import PlantSection, PlantUse


class LevelConverter(PlantSection):
    """The converter that makes the current wanted out of a code."""

    full_scale_ampere: float = Field(gt=0.0, le=1e3, description="Current one step above the last code.")
    bits: Bits | None = None
    gain_error: GainError = 0.0
    offset_ampere: float = Field(default=0.0, ge=-10.0, le=10.0, description="Added to the current.")
    bow: Bow = 0.0


class Stage(PlantSection):
    """The transistors and their analog current loop."""

    saturation_ohm: float = Field(
        gt=0.0,
        le=10.0,
        description="Resistance of path and stage when fully on: current I needs I times this, in V.",
    )
    bandwidth_hertz: float = Field(
        default=8e3,
        ge=10.0,
        le=1e6,
        description="First-order bandwidth of the current loop; lag = 1 / (2 pi f).",
    )
    slew_ampere_per_second: float = Field(
        default=1e6, gt=0.0, le=1e9, description="Fastest change the stage itself can make."
    )
    leakage_ampere: float = Field(
        default=0.0, ge=0.0, le=0.1, description="Current that flows with the stage off."
    )
    diode_volt: float = Field(
        default=0.8,
        gt=0.1,
        le=2.0,
        description="Forward drop of the body diodes, which conduct a reversed input.",
    )
    transistors: int = Field(
        default=1, ge=1, le=64, description="Transistors in parallel that share the current equally."
    )
    transistor_ohm: float | None = Field(
        default=None,
        gt=0.0,
        le=100.0,
        description="Resistance of one of them fully on, with the resistor in its source; a shorted one has"
        " it too. Without this, all of saturation_ohm is theirs.",
    )

    @model_validator(mode="after")
    def _part_of_the_whole(self) -> Stage:
        if self.transistor_ohm is not None and self.transistor_ohm / self.transistors > self.saturation_ohm:
            raise ValueError(
                "transistor_ohm divided by transistors is more than saturation_ohm, of which it is a part:"
                " make it smaller"
            )
        return self


class Regulation(PlantSection):
    """The software loops for power, resistance and voltage, which run on the converter's samples."""

    tick_second: float = Field(default=1e-3, ge=1e-5, le=1.0, description="Sample period of the loops.")
    gain: float = Field(
        default=0.7, gt=0.0, le=1.5, description="Share of the error in current that one sample takes away."
    )
    voltage_gain_ohm: float = Field(
        default=1.0,
        gt=0.0,
        le=1e3,
        description="Voltage loop: a volt of error moves the current by gain / this, in A, each sample.",
    )
    deadband_steps: float = Field(
        default=0.75,
        ge=0.5,
        le=10.0,
        description="Steps of the level converter by which the wish must differ before the code follows.",
    )
    deadband_volt: float = Field(
        default=0.005, gt=0.0, le=1.0, description="Error below which the voltage loop leaves the code alone."
    )


class Heat(PlantSection):
    """The way of the heat: junction, case, sink, air. One sink; the figures are of all transistors."""

    junction_to_case_kelvin_per_watt: float = Field(
        gt=0.0, le=100.0, description="Thermal resistance from junction to case."
    )
    case_to_sink_kelvin_per_watt: float = Field(
        gt=0.0, le=100.0, description="Thermal resistance from case to heatsink."
    )
    still_kelvin_per_watt: float = Field(gt=0.0, le=1e3, description="Sink to air with the fan off.")
    blown_kelvin_per_watt: float = Field(
        gt=0.0, le=1e3, description="Sink to air at full fan speed, vents open."
    )
    junction_joule_per_kelvin: float = Field(gt=0.0, le=1e4, description="Heat capacity of the junctions.")
    case_joule_per_kelvin: float = Field(gt=0.0, le=1e5, description="Heat capacity of the cases.")
    sink_joule_per_kelvin: float = Field(gt=0.0, le=1e6, description="Heat capacity of the heatsink.")

    @model_validator(mode="after")
    def _fan_helps(self) -> Heat:
        if self.blown_kelvin_per_watt > self.still_kelvin_per_watt:
            raise ValueError("blown_kelvin_per_watt must not exceed still_kelvin_per_watt: a fan cools")
        return self


class BetaLaw(PlantSection):
    """R(T) = R25 exp(B (1/T - 1/298.15 K)); IEC 60539-1."""

    form: Literal["beta"] = Field(description="The law: by R25 and B.")
    r25_ohm: float = Field(gt=0.0, le=1e7, description="Resistance at 25 Cel.")
    b_kelvin: float = Field(gt=0.0, le=1e4, description="B value.")


class SteinhartHartLaw(PlantSection):
    """1/T = a + b ln R + c (ln R)^3, R in ohm, T in kelvin; Steinhart and Hart 1968."""

    form: Literal["steinhart-hart"] = Field(description="The law: by three coefficients.")
    a: float = Field(gt=0.0, le=0.1, description="Constant term, 1/K.")
    b: float = Field(gt=0.0, le=0.1, description="Coefficient of ln(R/Ohm), 1/K.")
    c: float = Field(gt=0.0, le=1e-4, description="Coefficient of ln(R/Ohm) cubed, 1/K.")


class Sensor(PlantSection):
    """A thermistor from a divider to ground; the other resistor goes to the supply rail."""

    law: Annotated[BetaLaw | SteinhartHartLaw, Field(discriminator="form")] = Field(
        description="Resistance over temperature."
    )
    divider_ohm: float = Field(gt=0.0, le=1e7, description="The resistor from the rail to the thermistor.")
    lag_second: float = Field(
        default=5.0, ge=0.01, le=1e3, description="Time constant of the bead where it is."
    )
    lowest_celsius: float = Field(
        default=-55.0, ge=-100.0, le=0.0, description="Firmware reports no less (open)."
    )
    highest_celsius: float = Field(
        default=200.0, ge=50.0, le=500.0, description="Firmware reports no more (shorted)."
    )


class Thermistor(Sensor):
    """A thermistor on the sink, from a divider to ground; the other resistor goes to the supply rail."""

    bead_joule_per_kelvin: float = Field(
        default=0.05, gt=0.0, le=100.0, description="Heat capacity of the bead."
    )


class SecondThermistor(Sensor):
    """A second thermistor, so small that it takes no heat from where it is."""

    on: Literal["case", "sink", "air"] = Field(description="Where it is.")


class FanMotor(PlantSection):
    """The fan itself; the curve it follows is the document's `fan:` section."""

    full_speed_per_minute: float = Field(gt=0.0, le=1e5, description="Turns per minute at full drive.")
    spin_second: float = Field(
        default=0.5, gt=0.0, le=60.0, description="Time constant of spinning up and down."
    )
    exponent: float = Field(
        default=0.5,
        ge=0.3,
        le=1.0,
        description="Conductance to air goes with speed to this power (laminar: 0.5), never below still air.",
    )


class SinkPlant(PlantUse):
    """An electronic sink: a stage on a heatsink with a fan, software loops, converters and counters."""

    kind: Literal["sink"] = Field(description="An electronic load.")
    stage: Stage
    regulation: Regulation = Regulation()
    level: LevelConverter
    channels: dict[
        Literal[
            "input.voltage",
            "input.terminal_voltage",
            "input.current",
            "heat.sensor_voltage",
            "heat.second_voltage",
            "supply.rail",
            "stage.first",
            "stage.other",
            "stage.spread",
        ],
        Channel,
    ] = Field(default={}, description="Measuring converters; a channel not named here is ideal.")
    heat: Heat
    thermistor: Thermistor
    second_thermistor: SecondThermistor | None = Field(
        default=None, description="A second thermistor, with signals and bench events of its own."
    )
    fan: FanMotor
    rail_volt: float = Field(default=5.0, gt=0.0, le=50.0, description="The instrument's own supply rail.")
    clock_error_ppm: float = Field(
        default=0.0,
        ge=-2e4,
        le=2e4,
        description="How much too fast the instrument's clock runs; its counters follow.",
    )
