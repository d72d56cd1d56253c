"""A heated water bath, as an example of physics of one's own: `spec/bath.yaml` names it.

Two heat capacities (the element and the water), a thermometer with lag, and water that steams away.

    element   C_e dT_e/dt = P - G_e (T_e - T_w)
    water     C_w dT_w/dt = G_e (T_e - T_w) - G (T_w - T_air) - L s,  C_w = 4186 J/(kg K) m
    mass      dm/dt = -s,  s = k (p(T_w) - p(T_air) / 2) with the lid off, a twentieth of that with it on

Heat of evaporation L of water 2.26 MJ/kg (100 Cel; from memory). Saturated pressure p: Magnus formula, with
the numbers of Alduchov and Eskridge, J. Appl. Meteorol. 35, 1996 (from memory). The air is half saturated.
"""

from __future__ import annotations

import math

from pydantic import Field

import wirevow

WATER_JOULE_PER_KG_KELVIN, STEAM_JOULE_PER_KG = 4186.0, 2.26e6
DRY_KG = 0.02  # so much stays in the corners, and has a heat capacity


def pressure(celsius: float) -> float:
    """Saturated pressure of steam in Pa."""
    return 610.94 * math.exp(17.625 * celsius / (celsius + 243.04))


class Bath(wirevow.Plant):
    """The bath: driven by a relay, watched by a thermometer and a float."""

    class Parameters(wirevow.PlantParameters):
        """Of one build."""

        heater_watt: float = Field(gt=0.0, le=5e3, description="Heat of the element.")
        element_joule_per_kelvin: float = Field(gt=0.0, le=1e4, description="Heat capacity of the element.")
        element_watt_per_kelvin: float = Field(gt=0.0, le=1e3, description="From the element to the water.")
        wall_watt_per_kelvin: float = Field(gt=0.0, le=1e2, description="From the water to the air.")
        water_kg: float = Field(gt=0.1, le=100.0, description="Water when it is full.")
        steam_kg_per_second_pascal: float = Field(ge=0.0, le=1e-6, description="Steam for a pressure.")
        sensor_second: float = Field(gt=0.1, le=600.0, description="Time constant of the thermometer.")
        broken_celsius: float = Field(default=-40.0, description="Reading of a broken thermometer.")

    parameters: Parameters

    states = ("element", "water", "sensor", "mass", "energy")
    signals = {
        "water.temperature": wirevow.Signal("Cel", "what the thermometer says"),
        "water.true": wirevow.Signal("Cel", "temperature of the water"),
        "element.temperature": wirevow.Signal("Cel", "temperature of the heating element"),
        "element.power": wirevow.Signal("W", "power into the element"),
        "water.level": wirevow.Signal("1", "share of a full bath, from 0 to 1"),
        "energy": wirevow.Signal("J", "energy into the element since the counter was zeroed"),
    }
    controls = {
        "element": wirevow.Control(choices=("off", "on"), means="the element's relay"),
        "energy.zero": wirevow.Control(pulse=True, means="the counter of energy begins again at zero"),
    }
    events = {
        "ambient": wirevow.Control("Cel", -10.0, 45.0, means="temperature of the air around"),
        "lid": wirevow.Control(choices=("on", "off"), means="whether it is covered"),
        "sensor": wirevow.Control(choices=("good", "broken"), means="the thermometer"),
        "level": wirevow.Control("1", 0.0, 1.0, means="somebody fills or empties it to this share"),
        "mains": wirevow.Control(
            "1", 0.8, 1.2, means="voltage of the mains, as a share of what it should be"
        ),
    }

    def initial(self) -> dict[str, float | str]:
        return {"ambient": self.around.ambient_celsius, "level": 1.0, "mains": 1.0}

    def start(self) -> tuple[float, ...]:
        air = self.around.ambient_celsius
        return air, air, air, self.parameters.water_kg, 0.0

    def _power(self) -> float:
        on = self.driven["element"] == "on"
        return self.parameters.heater_watt * float(self.happened["mains"]) ** 2 if on else 0.0

    def rates(
        self, element: float, water: float, sensor: float, mass: float, energy: float
    ) -> tuple[float, ...]:
        p, air = self.parameters, float(self.happened["ambient"])
        given = p.element_watt_per_kelvin * (element - water) * min(mass / (0.1 * p.water_kg), 1.0)
        steam = p.steam_kg_per_second_pascal * max(pressure(water) - pressure(air) / 2.0, 0.0)
        if self.happened["lid"] == "on":
            steam /= 20.0
        steam *= min(max(mass / DRY_KG - 1.0, 0.0), 1.0)  # no jump: a solver would stumble over it
        lost = p.wall_watt_per_kelvin * (water - air) + STEAM_JOULE_PER_KG * steam
        return (
            (self._power() - given) / p.element_joule_per_kelvin,
            (given - lost) / (WATER_JOULE_PER_KG_KELVIN * max(mass, DRY_KG)),
            (water - sensor) / p.sensor_second,
            -steam,
            self._power(),
        )

    def outputs(
        self, element: float, water: float, sensor: float, mass: float, energy: float
    ) -> dict[str, float]:
        return {
            "water.temperature": sensor
            if self.happened["sensor"] == "good"
            else self.parameters.broken_celsius,
            "water.true": water,
            "element.temperature": element,
            "element.power": self._power(),
            "water.level": mass / self.parameters.water_kg,
            "energy": energy,
        }

    def jump(self, name: str, value: float | str, *states: float) -> tuple[float, ...]:
        element, water, sensor, mass, energy = states
        if name == "level":
            mass = max(float(value) * self.parameters.water_kg, DRY_KG)
        elif name == "energy.zero":
            energy = 0.0
        return element, water, sensor, mass, energy
