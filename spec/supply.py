"""A direct-current supply, as a second example of physics of one's own: `spec/supply.yaml` names it.

A stage in series with a rail, a capacitor and a bleeder behind it, a load on the bench, and a heat sink.

    stage     i = (wanted - v) / r, between -down and the set current: it holds the voltage behind the small
              resistance r, and crosses over to constant current where the load would take more
    shorted   i = (rail - v) / r_short
    output    C dv/dt = i - v (1/R_load + 1/R_bleeder), and 1/R_short of the bench if somebody shorts it
    heat      C_s dT/dt = P - (T - T_air) / R_s, P = (rail - v) i, or -v i where the stage takes current in

The relay of the output is before the stage: where it is open nothing flows in, whatever has become of the
stage, and the capacitor discharges, v = v_0 exp(-t / (R C)) (any textbook). Stage, crossover and bleeder:
common practice, no source. A switched supply has ripple and a loop that rings; this one has neither.
"""

from __future__ import annotations

from pydantic import Field

import wirevow


class Supply(wirevow.Plant):
    """The supply: driven by a relay and two set values, watched by a voltmeter, a shunt and a thermometer."""

    class Parameters(wirevow.PlantParameters):
        """Of one build."""

        rail_volt: float = Field(gt=1.0, le=200.0, description="What feeds the stage.")
        output_ohm: float = Field(gt=1e-4, le=1.0, description="Behind the held voltage.")
        down_ampere: float = Field(ge=0.0, le=10.0, description="Most that the stage takes in.")
        shorted_ohm: float = Field(gt=1e-3, le=10.0, description="Of a stage that has failed shorted.")
        output_farad: float = Field(gt=1e-6, le=0.1, description="Capacitance across the output.")
        bleeder_ohm: float = Field(gt=10.0, le=1e6, description="Across the output, inside.")
        short_ohm: float = Field(gt=1e-3, le=1.0, description="Of the wire that shorts the load.")
        sink_kelvin_per_watt: float = Field(gt=0.01, le=100.0, description="From the heat sink to the air.")
        sink_joule_per_kelvin: float = Field(gt=0.1, le=1e5, description="Heat capacity of the heat sink.")
        broken_celsius: float = Field(default=-40.0, description="Reading of a broken thermometer.")

    parameters: Parameters

    states = ("volt", "sink", "energy")
    signals = {
        "output.voltage": wirevow.Signal("V", "voltage across the output"),
        "output.current": wirevow.Signal("A", "current out of the stage, the bleeder's included"),
        "load.current": wirevow.Signal("A", "current through the load, and through what shorts it"),
        "heat.temperature": wirevow.Signal("Cel", "what the heat sink's thermometer says"),
        "heat.sink": wirevow.Signal("Cel", "temperature of the heat sink"),
        "heat.power": wirevow.Signal("W", "power into the heat sink"),
        "energy": wirevow.Signal("J", "energy out of the stage since the counter was zeroed"),
    }
    controls = {
        "output": wirevow.Control(choices=("off", "on"), means="the relay between rail and stage"),
        "volts": wirevow.Control("V", 0.0, 200.0, means="voltage to hold"),
        "amperes": wirevow.Control("A", 0.0, 100.0, means="most current"),
        "energy.zero": wirevow.Control(pulse=True, means="the counter of energy begins again at zero"),
    }
    events = {
        "ambient": wirevow.Control("Cel", -20.0, 60.0, means="temperature of the air around"),
        "load.resistance": wirevow.Control("Ohm", 0.01, 1e6, means="resistance of the load"),
        "load.shorted": wirevow.Control(choices=("no", "yes"), means="whether a wire shorts the load"),
        "stage": wirevow.Control(choices=("good", "shorted"), means="the transistors in series"),
        "sensor": wirevow.Control(choices=("good", "broken"), means="the heat sink's thermometer"),
    }

    def initial(self) -> dict[str, float | str]:
        return {"ambient": self.around.ambient_celsius, "load.resistance": 10.0}

    def start(self) -> tuple[float, ...]:
        return 0.0, self.around.ambient_celsius, 0.0

    def _stage(self, volt: float) -> float:
        """Current out of the stage."""
        p = self.parameters
        if self.driven["output"] == "off":
            return 0.0
        if self.happened["stage"] == "shorted":
            return (p.rail_volt - volt) / p.shorted_ohm
        wanted = (float(self.driven["volts"]) - volt) / p.output_ohm
        return max(min(wanted, float(self.driven["amperes"])), -p.down_ampere)

    def _load(self, volt: float) -> float:
        """Current through the load and what shorts it."""
        through = volt / float(self.happened["load.resistance"])
        return through + (volt / self.parameters.short_ohm if self.happened["load.shorted"] == "yes" else 0.0)

    def _heat(self, volt: float) -> float:
        """Power into the heat sink."""
        ampere = self._stage(volt)
        return (self.parameters.rail_volt - volt) * ampere if ampere > 0.0 else -volt * ampere

    def rates(self, volt: float, sink: float, energy: float) -> tuple[float, ...]:
        p, ampere, air = self.parameters, self._stage(volt), float(self.happened["ambient"])
        return (
            (ampere - volt / p.bleeder_ohm - self._load(volt)) / p.output_farad,
            (self._heat(volt) - (sink - air) / p.sink_kelvin_per_watt) / p.sink_joule_per_kelvin,
            volt * ampere,
        )

    def outputs(self, volt: float, sink: float, energy: float) -> dict[str, float]:
        good = self.happened["sensor"] == "good"
        return {
            "output.voltage": volt,
            "output.current": self._stage(volt),
            "load.current": self._load(volt),
            "heat.temperature": sink if good else self.parameters.broken_celsius,
            "heat.sink": sink,
            "heat.power": self._heat(volt),
            "energy": energy,
        }

    def jump(self, name: str, value: float | str, *states: float) -> tuple[float, ...]:
        volt, sink, energy = states
        return volt, sink, 0.0 if name == "energy.zero" else energy
