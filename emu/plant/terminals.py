"""What of a sink can be read, driven, and what can happen to it: names, units, bounds, words."""

from __future__ import annotations

from emu.plant.interface import Control

SIGNALS = frozenset(
    {
        "input.voltage",
        "input.terminal_voltage",
        "input.current",
        "input.power",
        "heat.junction",
        "heat.case",
        "heat.sink",
        "heat.air",
        "heat.sensor_voltage",
        "heat.temperature",
        "fan.duty",
        "fan.speed",
        "charge",
        "energy",
        "battery.soc",
        "source.emf",
        "limit.power",
        "swing.done",
        "swing.high",
        "supply.rail",
    }
)
"""`input.voltage` is at the sense point, `limit.power` the ceiling after derating, `swing.high` 1 in the high time."""

CONTROLS: dict[str, Control] = {
    "relay": Control(choices=("open", "closed")),
    "regulate": Control(choices=("none", "current", "power", "resistance", "voltage", "swing")),
    "level.current": Control("A", 0.0, 1e3),
    "level.power": Control("W", 0.0, 1e5),
    "level.resistance": Control("Ohm", 1e-3, 1e7),
    "level.voltage": Control("V", 0.0, 1e3),
    "slew": Control("A/s", 1e-3, 1e9),
    "sense": Control(choices=("local", "remote")),
    "swing.low": Control("A", 0.0, 1e3),
    "swing.high": Control("A", 0.0, 1e3),
    "swing.low_time": Control("s", 1e-6, 1e5),
    "swing.high_time": Control("s", 1e-6, 1e5),
    "swing.cue": Control(choices=("timer", "trigger")),
    "swing.hold": Control(choices=("stay", "return")),
    "swing.count": Control("1", 0, 1e9),
    "swing.trigger": Control(pulse=True),
    "limit.current": Control("A", 0.0, 1e3),
    "limit.power": Control("W", 0.0, 1e5),
    "fan.override": Control("1", -1.0, 1.0),
    "counters.run": Control("1", 0, 1),
    "counters.zero": Control(pulse=True),
    "cal.voltage.gain": Control("1", 0.5, 2.0),
    "cal.voltage.offset": Control("V", -10.0, 10.0),
    "cal.current.gain": Control("1", 0.5, 2.0),
    "cal.current.offset": Control("A", -10.0, 10.0),
    "cal.level.gain": Control("1", 0.5, 2.0),
    "cal.level.offset": Control("A", -10.0, 10.0),
}
"""A calibrated value is raw * gain + offset. `fan.override` below 0 leaves the fan to its curve."""

EVENTS: dict[str, Control] = {
    "source.voltage": Control("V", 0.0, 1e3),
    "source.resistance": Control("Ohm", 0.0, 1e4),
    "source.limit": Control("A", 0.0, 1e3),
    "source.reverse": Control(choices=("off", "on")),
    "source.disconnect": Control(choices=("off", "on")),
    "source.irradiance": Control("1", 0.0, 1.5),
    "battery.soc": Control("1", 0.0, 1.0),
    "battery.temperature": Control("Cel", -40.0, 80.0),
    "lead.resistance": Control("Ohm", 0.0, 100.0),
    "lead.sense": Control(choices=("good", "open")),
    "ambient": Control("Cel", -40.0, 80.0),
    "vents": Control("1", 0.0, 1.0),
    "thermistor": Control(choices=("good", "open", "short")),
    "fan": Control(choices=("good", "stopped")),
    "stage": Control(choices=("good", "shorted")),
    "trigger": Control(pulse=True),
}
"""`source.voltage` sets a supply, a Thevenin source or a bank (recharging it); others ignore it with an error."""
