"""What of a plant can be read, driven, and what can happen to it: names, units, bounds, words."""

from __future__ import annotations

from wirevow.emu.plant.interface import Control

SIGNALS = frozenset(
    {
        "input.voltage",
        "input.terminal_voltage",
        "input.current",
        "input.power",
        "sense.drop",
        "heat.junction",
        "heat.case",
        "heat.sink",
        "heat.air",
        "heat.sensor_voltage",
        "heat.temperature",
        "heat.ceiling",
        "fan.duty",
        "fan.speed",
        "charge",
        "energy",
        "run.time",
        "battery.soc",
        "source.emf",
        "swing.done",
        "swing.upper",
        "supply.rail",
    }
)
"""SI units; shares (duty, state of charge) from 0 to 1; temperatures in Cel; fan speed in 1/min.

`input.voltage` is at the sense point; `sense.drop` the terminals' voltage less that of the sense leads;
`heat.temperature` what the firmware deduces from the thermistor; `heat.ceiling` the power left after
derating; `swing.upper` 1 while at the upper level. The counters `charge`, `energy` and `run.time` run while
the stage is on, by the instrument's own clock.
"""

CONTROLS: dict[str, Control] = {
    "relay": Control(choices=("open", "closed")),
    "stage": Control(choices=("off", "hold", "swing", "run")),
    "mode": Control(choices=("current", "power", "resistance", "voltage")),
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
    "fan.mode": Control(choices=("auto", "manual")),
    "fan.manual": Control("1", 0.0, 1.0),
    "counters.zero": Control(pulse=True),
    "trim.voltage_gain": Control("1", 0.5, 2.0),
    "trim.voltage_shift": Control("V", -10.0, 10.0),
    "trim.current_gain": Control("1", 0.5, 2.0),
    "trim.current_shift": Control("A", -10.0, 10.0),
    "trim.level_gain": Control("1", 0.5, 2.0),
    "trim.level_shift": Control("A", -10.0, 10.0),
}
"""`stage`: `hold` regulates by `mode`; `run` holds `level.current` whatever the mode; `swing` steps.

Whatever the stage does, it draws less current rather than exceed `limit.current` or the derated
`limit.power`. A trimmed value is raw * gain + shift. In fan mode `manual` the higher of curve and
`fan.manual` drives the fan.
"""

INITIAL: dict[str, float | str] = {
    "relay": "open",
    "stage": "off",
    "mode": "current",
    "level.current": 0.0,
    "level.power": 0.0,
    "level.resistance": 1e6,
    "level.voltage": 1e3,
    "slew": 1e9,
    "sense": "local",
    "swing.low": 0.0,
    "swing.high": 0.0,
    "swing.low_time": 1.0,
    "swing.high_time": 1.0,
    "swing.cue": "timer",
    "swing.hold": "return",
    "swing.count": 0.0,
    "limit.current": 1e3,
    "limit.power": 1e5,
    "fan.mode": "auto",
    "fan.manual": 0.0,
    "trim.voltage_gain": 1.0,
    "trim.voltage_shift": 0.0,
    "trim.current_gain": 1.0,
    "trim.current_shift": 0.0,
    "trim.level_gain": 1.0,
    "trim.level_shift": 0.0,
}
"""Where the controls stand before anyone drives them."""

EVENTS: dict[str, Control] = {
    "source.voltage": Control("V", 0.0, 1e3),
    "source.resistance": Control("Ohm", 0.0, 1e4),
    "source.limit": Control("A", 0.0, 1e3),
    "source.polarity": Control(choices=("normal", "reversed")),
    "source.connected": Control(choices=("yes", "no")),
    "source.irradiance": Control("1", 0.0, 1.5),
    "battery.soc": Control("1", 0.0, 1.0),
    "battery.temperature": Control("Cel", -40.0, 80.0),
    "lead.resistance": Control("Ohm", 0.0, 100.0),
    "lead.sense": Control(choices=("good", "open")),
    "ambient": Control("Cel", -40.0, 125.0),
    "vents": Control("1", 0.0, 1.0),
    "thermistor": Control(choices=("good", "open", "shorted", "driven")),
    "thermistor.voltage": Control("V", 0.0, 6.0),
    "fan": Control(choices=("good", "stopped")),
    "stage": Control(choices=("good", "shorted")),
    "stage.resistance": Control("Ohm", 1e-3, 1e6),
    "trigger": Control(pulse=True),
}
"""An event that does not fit the source on the bench is an error, except that `source.voltage` and
`source.limit` put a plain supply in its place, so that a tester's hand can always set them."""

ROOM_SIGNALS = frozenset({"room.temperature", "room.air", "heater.power", "outside.temperature"})
"""`room.temperature` is what the thermometer says, `room.air` what is true."""

ROOM_CONTROLS: dict[str, Control] = {"heater": Control("1", 0.0, 1.0)}

ROOM_EVENTS: dict[str, Control] = {
    "outside.temperature": Control("Cel", -60.0, 60.0),
    "window": Control(choices=("closed", "open")),
    "sensor": Control(choices=("good", "open")),
}
