"""What of the plants that come with Wirevow can be read, driven, and what can happen to them.

SI units; shares (duty, state of charge) from 0 to 1; temperatures in Cel; fan speed in /min.
"""

from __future__ import annotations

from wirevow.emu.control.swing import ROWS
from wirevow.protocol.document.terminals import Control, Signal

SIGNALS: dict[str, Signal] = {
    "input.voltage": Signal("V", "voltage at the sense point, by the instrument's converter and trim"),
    "input.terminal_voltage": Signal("V", "voltage at the input terminals"),
    "input.current": Signal("A", "current into the input terminals"),
    "input.power": Signal("W", "power taken in"),
    "sense.drop": Signal("V", "the terminals' voltage less that of the sense leads"),
    "stage.first": Signal("A", "current through the first of the transistors in parallel"),
    "stage.other": Signal("A", "current through each of the others"),
    "stage.spread": Signal("A", "how far apart the transistors' currents are"),
    "heat.junction": Signal("Cel", "temperature of the transistors' junctions"),
    "heat.case": Signal("Cel", "temperature of the transistors' cases"),
    "heat.sink": Signal("Cel", "temperature of the heatsink"),
    "heat.air": Signal("Cel", "temperature of the air around"),
    "heat.sensor_voltage": Signal("V", "voltage of the thermistor's divider"),
    "heat.temperature": Signal("Cel", "what the firmware deduces from the thermistor"),
    "heat.second": Signal("Cel", "what the firmware deduces from the second thermistor"),
    "heat.second_voltage": Signal("V", "voltage of its divider"),
    "heat.ceiling": Signal("W", "the power that is left after derating"),
    "fan.duty": Signal("1", "share of full drive that the fan gets"),
    "fan.speed": Signal("/min", "speed of the fan"),
    "charge": Signal("C", "charge counted while the stage is on, by the instrument's clock"),
    "energy": Signal("J", "energy counted while the stage is on, by the instrument's clock"),
    "run.time": Signal("s", "time counted while the stage is on, by the instrument's clock"),
    "battery.soc": Signal("1", "state of charge of a battery at the input"),
    "source.emf": Signal("V", "open-circuit voltage of the source"),
    "swing.done": Signal("1", "ends of the upper level since the swing began"),
    "steps.row": Signal("1", "the row of the list that it is at, from 0"),
    "steps.done": Signal("1", "rounds of the list that have ended since it began"),
    "swing.upper": Signal("1", "1 while the swing is at its upper level, else 0"),
    "supply.rail": Signal("V", "the instrument's own supply rail"),
}

CONTROLS: dict[str, Control] = {
    "relay": Control(choices=("open", "closed"), means="the input relay"),
    "stage": Control(
        choices=("off", "hold", "swing", "steps", "run"),
        means="what the stage does: hold regulates by mode, run holds level.current whatever the mode",
    ),
    "mode": Control(
        choices=("current", "power", "resistance", "voltage"), means="what is regulated while it holds"
    ),
    "level.current": Control("A", 0.0, 1e3, means="current to hold"),
    "level.power": Control("W", 0.0, 1e5, means="power to hold"),
    "level.resistance": Control("Ohm", 1e-3, 1e7, means="resistance to imitate"),
    "level.voltage": Control("V", 0.0, 1e3, means="voltage to hold"),
    "slew": Control("A/s", 1e-3, 1e9, means="fastest change of the current wanted"),
    "sense": Control(choices=("local", "remote"), means="where the voltage is measured"),
    "swing.low": Control("A", 0.0, 1e3, means="lower level of the swing"),
    "swing.high": Control("A", 0.0, 1e3, means="upper level of the swing"),
    "swing.low_time": Control("s", 1e-6, 1e5, means="time at the lower level"),
    "swing.high_time": Control("s", 1e-6, 1e5, means="time at the upper level"),
    "swing.cue": Control(choices=("timer", "trigger"), means="what begins the upper level"),
    "swing.hold": Control(
        choices=("stay", "return"), means="what follows the upper level of a triggered swing"
    ),
    "swing.count": Control("1", 0, 1e9, means="upper levels until it stays at the lower one; 0: no end"),
    **{f"steps.level{k}": Control("A", 0.0, 1e3, means=f"level of row {k} of the list") for k in range(ROWS)},
    **{f"steps.time{k}": Control("s", 1e-3, 1e5, means=f"time at that of row {k}") for k in range(ROWS)},
    "steps.rows": Control("1", 1, ROWS, means="rows of the list that are stepped through"),
    "steps.count": Control("1", 0, 1e9, means="rounds until it stays at the first row; 0: no end"),
    "swing.trigger": Control(pulse=True, means="a trigger from the host"),
    "limit.current": Control("A", 0.0, 1e3, means="most current that the stage draws, whatever it does"),
    "limit.power": Control("W", 0.0, 1e5, means="most power that the stage draws, before derating"),
    "fan.mode": Control(
        choices=("auto", "manual"), means="in manual the higher of curve and fan.manual drives the fan"
    ),
    "fan.manual": Control("1", 0.0, 1.0, means="share of full drive in manual mode"),
    "counters.zero": Control(pulse=True, means="charge, energy and time begin again at zero"),
    "trim.voltage_gain": Control("1", 0.5, 2.0, means="a voltage read is raw * gain + shift"),
    "trim.voltage_shift": Control("V", -10.0, 10.0, means="the shift of that"),
    "trim.current_gain": Control("1", 0.5, 2.0, means="a current read is raw * gain + shift"),
    "trim.current_shift": Control("A", -10.0, 10.0, means="the shift of that"),
    "trim.level_gain": Control("1", 0.5, 2.0, means="a current asked of the stage is wanted * gain + shift"),
    "trim.level_shift": Control("A", -10.0, 10.0, means="the shift of that"),
}

SECOND_SIGNALS = ("heat.second", "heat.second_voltage")
SECOND_EVENTS = ("second_thermistor", "second_thermistor.voltage")
"""What only a sink with a second thermistor has."""

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
    **dict.fromkeys((f"steps.level{row}" for row in range(ROWS)), 0.0),
    **dict.fromkeys((f"steps.time{row}" for row in range(ROWS)), 1.0),
    "steps.rows": float(ROWS),
    "steps.count": 0.0,
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
    "source.voltage": Control("V", 0.0, 1e3, means="open-circuit voltage of the source"),
    "source.resistance": Control("Ohm", 0.0, 1e4, means="its series resistance"),
    "source.limit": Control("A", 0.0, 1e3, means="current at which a supply limits"),
    "source.polarity": Control(choices=("normal", "reversed"), means="which way round it is connected"),
    "source.connected": Control(choices=("yes", "no"), means="whether it is connected"),
    "source.irradiance": Control("1", 0.0, 1.5, means="share of full light on a panel"),
    "battery.soc": Control("1", 0.0, 1.0, means="state of charge of a battery"),
    "battery.temperature": Control("Cel", -40.0, 80.0, means="temperature of its cells"),
    "lead.resistance": Control("Ohm", 0.0, 100.0, means="both leads and their contacts together"),
    "lead.sense": Control(choices=("good", "open"), means="the sense leads"),
    "ambient": Control("Cel", -40.0, 125.0, means="temperature of the air around"),
    "vents": Control("1", 0.0, 1.0, means="share of the air's way that is blocked"),
    "thermistor": Control(
        choices=("good", "open", "shorted", "driven"), means="the thermistor; driven: see thermistor.voltage"
    ),
    "thermistor.voltage": Control("V", 0.0, 6.0, means="what a generator holds its divider at"),
    "second_thermistor": Control(
        choices=("good", "open", "shorted", "driven"), means="the second thermistor, likewise"
    ),
    "second_thermistor.voltage": Control("V", 0.0, 6.0, means="what a generator holds its divider at"),
    "fan": Control(choices=("good", "stopped"), means="the fan"),
    "stage": Control(
        choices=("good", "shorted"), means="the stage; a shorted one conducts whatever it is told"
    ),
    "transistor": Control(
        choices=("good", "open", "shorted"), means="the first of the transistors in parallel"
    ),
    "stage.resistance": Control("Ohm", 1e-3, 1e6, means="resistance of a shorted stage"),
    "trigger": Control(pulse=True, means="an edge at the trigger input"),
}
"""An event that does not fit the source on the bench is an error, except that `source.voltage` and
`source.limit` put a plain supply in its place, so that a tester's hand can always set them."""

ROOM_SIGNALS: dict[str, Signal] = {
    "room.temperature": Signal("Cel", "what the thermometer says"),
    "room.air": Signal("Cel", "temperature of the air"),
    "heater.power": Signal("W", "heat from the heater"),
    "outside.temperature": Signal("Cel", "temperature outside"),
}

ROOM_CONTROLS: dict[str, Control] = {
    "heater": Control("1", 0.0, 1.0, means="share of the heater's full drive")
}

ROOM_EVENTS: dict[str, Control] = {
    "outside.temperature": Control("Cel", -60.0, 60.0, means="temperature outside"),
    "window": Control(choices=("closed", "open"), means="the window"),
    "sensor": Control(choices=("good", "open"), means="the thermometer; an open one reads its lowest"),
}
