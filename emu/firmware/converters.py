"""What the plant's closed forms mean to a board's converters, written where compiled code finds it."""

from __future__ import annotations

import ctypes

from wirevow.emu.plant.converter import Converter
from wirevow.emu.plant.expoly import Curve
from wirevow.emu.plant.heat import BEAD, HeatStretch
from wirevow.emu.plant.sections import Channel
from wirevow.emu.plant.sink import Airflow, Sink, Stretch
from wirevow.emu.plant.sink_section import BetaLaw, SinkPlant

CHANNELS = (
    "input.voltage",
    "input.terminal_voltage",
    "input.current",
    "heat.sensor_voltage",
    "supply.rail",
)
"""In the order of converters.h; the first is wired to the sense leads, always."""
FAN_SPEED = "fan.speed"
"""The channel after them, without a converter."""
_CONDITIONS = ("good", "open", "shorted", "driven")


_NUMBERS = ("low", "span", "step", "gain", "offset", "bow", "noise", "last")


class _Converter(ctypes.Structure):
    _fields_ = (*((name, ctypes.c_double) for name in _NUMBERS), ("stream", ctypes.c_uint64))


class World(ctypes.Structure):
    """`struct world` of converters.h."""

    _fields_ = (
        ("converter", _Converter * len(CHANNELS)),
        ("rail", ctypes.c_double),
        ("divider", ctypes.c_double),
        ("r25", ctypes.c_double),
        ("b", ctypes.c_double),
        ("three", ctypes.c_double * 3),
        ("circuit_ns", ctypes.c_int64),
        ("heat_ns", ctypes.c_int64),
        ("fan_ns", ctypes.c_int64),
        ("sign", ctypes.c_double),
        ("terminal", ctypes.POINTER(ctypes.c_double)),
        ("current", ctypes.POINTER(ctypes.c_double)),
        ("source", ctypes.POINTER(ctypes.c_double)),
        ("lead", ctypes.c_double),
        ("sensed", ctypes.c_int32),
        ("bead", ctypes.POINTER(ctypes.c_double)),
        ("ambient", ctypes.c_double),
        ("thermistor", ctypes.c_int32),
        ("driven", ctypes.c_double),
        ("fan_from", ctypes.c_double),
        ("fan_to", ctypes.c_double),
        ("fan_rate", ctypes.c_double),
    )


_NOTHING = Converter(Channel(low=0.0, high=1.0, bits=10), "", 0)


class Converters:
    """The `world` of one loaded library, kept to what one plant does."""

    def __init__(self, library: ctypes.CDLL, section: SinkPlant, plant: Sink) -> None:
        thermistor = section.thermistor
        self._plant = plant
        self._circuit: Stretch | None = None
        self._heat: HeatStretch | None = None
        self._air: Airflow | None = None
        self._world = world = World.in_dll(library, "world")
        world.rail, world.divider = section.rail_volt, thermistor.divider_ohm
        if isinstance(thermistor.law, BetaLaw):
            world.r25, world.b = thermistor.law.r25_ohm, thermistor.law.b_kelvin
        else:
            world.three[:] = (thermistor.law.a, thermistor.law.b, thermistor.law.c)
        for name, into in zip(CHANNELS, world.converter, strict=True):
            # One that the document has no channel for is wired to nothing (`wiring` and `run` see to that).
            converter = plant.converter(name) if name in section.channels else _NOTHING
            for field in (*_NUMBERS, "stream"):
                setattr(into, field, getattr(converter, field))

    def follow(self, slow: bool) -> None:
        """Write what holds from the plant's present instant until its `quiet_until_ns`.

        Without `slow` only what is needed for voltages and currents.
        """
        circuit, heat, air = self._plant.pieces()
        world = self._world
        if circuit is not self._circuit:
            self._circuit = circuit
            world.circuit_ns, world.sign = circuit.start_ns, circuit.sign
            world.terminal, world.current = _flat(circuit.solved.volt), _flat(circuit.solved.current)
            world.source = _flat(circuit.at_source) if circuit.at_source is not None else None
            world.lead, world.sensed = circuit.lead, not circuit.unsensed
        if not slow:
            return
        if heat is not self._heat:
            self._heat = heat
            world.heat_ns, world.ambient = heat.start_ns, heat.ambient
            driven = isinstance(heat.thermistor, float)
            world.thermistor = _CONDITIONS.index("driven" if driven else heat.thermistor)
            world.driven = heat.thermistor if driven else 0.0
            world.bead = _flat(heat.node(BEAD))
        if air is not self._air:
            self._air = air
            world.fan_ns, world.fan_rate = air.start_ns, air.rate
            world.fan_from, world.fan_to = air.from_speed, air.to_speed


def _flat(curve: Curve) -> ctypes.Array[ctypes.c_double]:
    numbers = [len(curve.poly), *curve.poly, len(curve.decays)]
    for decay in curve.decays:
        numbers += decay
    numbers.append(len(curve.terms))
    for rate, coefficients in curve.terms:
        numbers += (rate, len(coefficients), *coefficients)
    return (ctypes.c_double * len(numbers))(*numbers)
