"""A board as the table that the simulated microcontroller is run by (`struct board` of avr/rig.c)."""

from __future__ import annotations

import ctypes
from functools import cache

from wirevow.emu.bench import Bench
from wirevow.emu.board import (
    MOST_INPUTS,
    Bits,
    Board,
    MeasuringConverter,
    OnBus,
    OutputConverter,
    compare_unit,
    told,
)
from wirevow.emu.firmware.converters import CHANNELS, FAN_SPEED
from wirevow.emu.plant.sink_section import LevelConverter, SinkPlant
from wirevow.emu.ports.address import find
from wirevow.protocol.document.load import load_yaml_model
from wirevow.protocol.errors import WirevowError

REFERENCE_BENCH = "reference-board"
"""The ready bench whose board the reference firmware is written for."""
MOST_DEVICES, ANALOG_INPUTS = 16, 16
NOT_WIRED = 0xFF
CONVERTER, LEVEL, SLEW = range(3)
RELAY, STAGE, CAPTURE = 1, 2, 4
"""In `outputs.pins`, in the order of `Table.output`."""
OUTPUTS = ("relay", "stage", "capture")
MEASURED = (*CHANNELS, FAN_SPEED)
FAN_SPEED_BITS = 16


class BoardError(WirevowError):
    """A board that does not go with the document, or with the program."""


@cache
def reference_board() -> Board:
    """The board of a bench that describes none: that of the reference firmware."""
    board = load_yaml_model(find(REFERENCE_BENCH, "bench"), Bench).document.board
    assert board is not None
    return board


class _Pin(ctypes.Structure):
    _fields_ = (("port", ctypes.c_uint8), ("mask", ctypes.c_uint8), ("low", ctypes.c_uint8))


class _Field(ctypes.Structure):
    _fields_ = (("bit", ctypes.c_uint8), ("bits", ctypes.c_uint8))


class _Device(ctypes.Structure):
    _fields_ = (
        ("kind", ctypes.c_uint8),
        ("address", ctypes.c_uint8),
        ("select", _Pin),
        ("ask", _Field),
        ("code", _Field),
        ("mark", ctypes.c_uint8),
        ("late", ctypes.c_uint8),
        ("channel", ctypes.c_uint8 * 256),
        ("shift", ctypes.c_uint8 * len(MEASURED)),
        ("zero", ctypes.c_uint32 * len(MEASURED)),
    )


class Analog(ctypes.Structure):
    _fields_ = (
        ("channel", ctypes.c_uint8),
        ("volt_per_unit", ctypes.c_double),
        ("offset_volt", ctypes.c_double),
    )


class Table(ctypes.Structure):
    """`struct board` of avr/rig.c."""

    _fields_ = (
        ("chip", ctypes.c_char * 24),
        ("hertz", ctypes.c_uint32),
        ("frame", ctypes.c_uint32),
        ("uart", ctypes.c_char),
        ("timer", ctypes.c_char),
        ("compare", ctypes.c_uint8),
        ("fan", _Pin),
        ("output", _Pin * len(OUTPUTS)),
        ("input", _Pin * MOST_INPUTS),
        ("device_count", ctypes.c_uint8),
        ("device", _Device * MOST_DEVICES),
        ("reference_volt", ctypes.c_double),
        ("analog", Analog * ANALOG_INPUTS),
    )


def wire(board: Board, section: SinkPlant) -> Table:
    """The table of a board around that plant. BoardError when a converter cannot carry a channel's codes."""
    table = Table(
        chip=board.chip.encode(),
        hertz=board.hertz,
        frame=board.frame_cycles,
        uart=str(board.host.uart).encode(),
    )
    no_pins(table)
    if board.fan is not None:
        unit = compare_unit(board.microcontroller, board.fan.pin)
        assert unit is not None
        table.timer, table.compare = unit[2].encode(), ord(unit[3]) - ord("A")
        table.fan = _pin(board.microcontroller.compare[unit], board.fan.active)
    for index, name in enumerate(OUTPUTS):
        wired = getattr(board, name)
        if wired is not None:
            table.output[index] = _pin(wired.pin, wired.active)
    for index, (_, pin, active) in enumerate(board.inputs()):
        table.input[index] = _pin(pin, active)
    for index, (place, device) in enumerate(board.devices()):
        table.device[index] = _device(told(place), device, section)
        table.device_count = index + 1
    if board.adc is not None:
        table.reference_volt = board.adc.reference_volt
        for name, given in board.adc.inputs.items():
            table.analog[int(name.removeprefix("ADC"))] = Analog(
                MEASURED.index(given.channel), given.volt_per_unit, given.offset_volt
            )
    return table


def no_pins(table: Table) -> Table:
    """The table, with nothing wired yet but bus and UART."""
    table.fan = _pin(None)
    for pins in (table.output, table.input):
        pins[:] = [_pin(None)] * len(pins)
    for analog in table.analog:
        analog.channel = NOT_WIRED
    return table


def level_of(board: Board, level: LevelConverter) -> LevelConverter:
    """The document's level converter as this board has it."""
    full_scale = board.level.full_scale_ampere or level.full_scale_ampere
    return level.model_copy(update={"bits": board.level.value.bits, "full_scale_ampere": full_scale})


def _pin(name: str | None, active: str = "high") -> _Pin:
    if name is None:
        return _Pin(NOT_WIRED, 0, 0)
    return _Pin(ord(name[1]) - ord("A"), 1 << int(name[2]), active == "low")


def _field(bits: Bits | None) -> _Field:
    return _Field(0, 0) if bits is None else _Field(bits.bit, bits.bits)


def _device(name: str, device: OnBus, section: SinkPlant) -> _Device:
    made = _Device(address=device.twi or 0, select=_pin(device.spi, "low"))
    made.channel[:] = [NOT_WIRED] * 256
    if isinstance(device, MeasuringConverter):
        made.kind, made.late = CONVERTER, device.transfers_late
        made.ask, made.code = _field(device.ask), _field(device.code)
        for channel, number in device.channels.items():
            index = MEASURED.index(channel)
            bits = _bits(name, device, channel, section)
            made.channel[number] = index
            made.shift[index] = device.code.bits - bits if device.justify == "left" else 0
            made.zero[index] = 1 << (bits - 1) if device.coding == "complement" else 0
    elif isinstance(device, OutputConverter):
        made.kind = LEVEL if name == "level" else SLEW
        made.ask, made.code = _field(device.mark), _field(device.value)
        made.mark = device.mark.value if device.mark is not None else 0
    return made


def _bits(name: str, device: MeasuringConverter, channel: str, section: SinkPlant) -> int:
    """Bits of a channel's code."""
    if channel == FAN_SPEED:
        return min(FAN_SPEED_BITS, device.code.bits)
    given = {str(key): value for key, value in section.channels.items()}.get(channel)
    if given is None or given.bits is None:
        raise BoardError(
            f"board, {name}: {channel} has no bits in the document: write them under plant, channels"
        )
    if given.bits > device.code.bits:
        raise BoardError(
            f"board, {name}: code has {device.code.bits} bits, and {channel} has {given.bits} under plant, "
            "channels: widen code"
        )
    return given.bits
