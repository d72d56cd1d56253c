"""The `board:` section of a bench: what sits on which pin of the microcontroller under somebody's firmware.

Chips around it are described by what passes over their bus, not by part names: which bits of a transfer ask
for a channel, which bits bring the code. Bits are counted from the first of the transfer, 0, the most
significant of a byte going first. What a converter's code means (ends, bits, errors, noise) is the
document's, under `plant`. Channels are called what they measure.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import InitErrorDetails

from wirevow.emu.chips import MICROCONTROLLERS, Microcontroller

ChannelName = Literal[
    "input.voltage",
    "input.terminal_voltage",
    "input.current",
    "heat.sensor_voltage",
    "supply.rail",
    "fan.speed",
]
"""What can be measured: all that a plant has converters for, and the fan's turns a minute (a counter)."""
TRANSFER_BITS = 64
NUMBER_BITS = 8
MOST_INPUTS = 16

Place = tuple[str | int, ...]
"""Keys and indices that lead to a part of a section."""
Complaint = tuple[Place, str]


def _tell(complaints: Iterable[Complaint]) -> None:
    """Refuse what is wrong, each at its own place, so that it is told with its own line."""
    wrong = [
        InitErrorDetails(type="value_error", loc=place, input=None, ctx={"error": ValueError(message)})
        for place, message in complaints
    ]
    if wrong:
        raise ValidationError.from_exception_data("board", wrong)


def told(place: Place) -> str:
    """A place in words; items of a list are counted from one."""
    return " ".join(f"item {part + 1}" if isinstance(part, int) else part for part in place)


class BoardSection(BaseModel):
    """Base of every part of a board: unknown keys are errors, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _chip(name: object) -> object:
    if isinstance(name, str) and name not in MICROCONTROLLERS:
        raise ValueError(f"{name} is not simulated: write one of {', '.join(MICROCONTROLLERS)}")
    return name


ChipName = Annotated[str, BeforeValidator(_chip)]
PinName = Annotated[str, Field(min_length=2, max_length=8, description="A pin by its port and bit, as PC0.")]
Active = Literal["high", "low"]


class Bits(BoardSection):
    """A number inside a transfer: its first bit, counted from the transfer's first, and how many."""

    bit: int = Field(ge=0, lt=TRANSFER_BITS)
    bits: int = Field(ge=1, le=32)

    @model_validator(mode="after")
    def _inside(self) -> Bits:
        if self.end > TRANSFER_BITS:
            raise ValueError(f"it ends at bit {self.end}: a transfer has at most {TRANSFER_BITS} bits here")
        return self

    @property
    def end(self) -> int:
        """The bit after the last."""
        return self.bit + self.bits


class Mark(Bits):
    """A number that a transfer holds when it is meant for this one of a converter's several outputs."""

    value: int = Field(ge=0, description="The number.")

    @model_validator(mode="after")
    def _fits(self) -> Mark:
        if self.bits > NUMBER_BITS:
            raise ValueError(f"bits is at most {NUMBER_BITS}: a mark is a small number")
        if self.value >= 1 << self.bits:
            raise ValueError(f"value {self.value} does not fit into {self.bits} bits: widen bits")
        return self


class OnBus(BoardSection):
    """A chip on a bus: selected by a pin that is low meanwhile (SPI), or by its 7-bit address (TWI)."""

    spi: PinName | None = Field(default=None, description="The pin that selects it.")
    twi: int | None = Field(default=None, ge=0x08, le=0x77, description="Its 7-bit address.")

    @model_validator(mode="after")
    def _one_bus(self) -> OnBus:
        if (self.spi is None) == (self.twi is None):
            raise ValueError("say where it is: spi: the pin that selects it, or twi: its 7-bit address")
        return self


class MeasuringConverter(OnBus):
    """A converter whose codes the firmware reads. It converts when it is asked.

    On SPI `ask` and `code` are bits of one transfer; on TWI `ask` is in what is written, `code` in what is
    read.
    """

    ask: Bits | None = Field(
        default=None, description="Where the channel's number is. Without it, it has one channel, number 0."
    )
    code: Bits = Field(description="Where the code is.")
    justify: Literal["right", "left"] = Field(
        default="right", description="On which side of its bits a shorter code is."
    )
    coding: Literal["straight", "complement"] = Field(
        default="straight",
        description="straight: from 0 at the document's low; complement: two's complement, 0 in the middle.",
    )
    transfers_late: int = Field(
        default=0, ge=0, le=1, description="By how many transfers the code comes after the request."
    )
    channels: dict[ChannelName, int] = Field(min_length=1, description="The number of each channel.")

    @model_validator(mode="after")
    def _consistent(self) -> MeasuringConverter:
        bits = self.ask.bits if self.ask is not None else 0
        if bits > NUMBER_BITS:
            raise ValueError(f"ask is at most {NUMBER_BITS} bits wide: channel numbers are small")
        _tell(self._wrong_numbers(bits))
        if self.twi is not None and self.transfers_late:
            raise ValueError("transfers_late is for converters on SPI: leave it out")
        asked = self.ask.end if self.ask is not None else 0
        if self.spi is not None and not self.transfers_late and self.code.bit < asked:
            raise ValueError(
                "code begins before ask has ended: move it, or write transfers_late: 1 if it comes later"
            )
        return self

    def _wrong_numbers(self, bits: int) -> Iterator[Complaint]:
        seen: dict[int, str] = {}
        for name, number in self.channels.items():
            place = ("channels", name)
            if not 0 <= number < 1 << bits:
                wanted = f"0 to {(1 << bits) - 1}" if bits else "0, or say with ask where the number is"
                yield place, f"{name} cannot be number {number}: write {wanted}"
            elif number in seen:
                yield place, f"number {number} is {seen[number]} already: give each its own"
            seen.setdefault(number, name)


class OutputConverter(OnBus):
    """A converter that the firmware writes codes to; it follows with the last bit of the code."""

    value: Bits = Field(description="Where the code is.")
    mark: Mark | None = Field(default=None, description="What else has to be in the transfer.")


class LevelOutput(OutputConverter):
    """The converter that makes the current wanted."""

    full_scale_ampere: float | None = Field(
        default=None, gt=0.0, le=1e3, description="Current one step above the last code; the document's."
    )


class SlewOutput(OutputConverter):
    """The converter that sets how fast the stage may change its current."""

    full_scale_ampere_per_second: float = Field(
        gt=0.0, le=1e9, description="Slew one step above the last code."
    )


class AnalogInput(BoardSection):
    """What is on an input of the chip's own converter: offset_volt + volt_per_unit * what it measures."""

    channel: ChannelName
    volt_per_unit: float = Field(
        default=1.0, ge=-1e3, le=1e3, description="By the unit of what is measured: V, A, or turns a minute."
    )
    offset_volt: float = Field(default=0.0, ge=-100.0, le=100.0)


class BuiltInConverter(BoardSection):
    """The chip's own converter, of 10 bits."""

    reference_volt: float = Field(gt=0.0, le=6.0, description="At AVcc and AREF alike.")
    inputs: dict[str, AnalogInput] = Field(min_length=1, description="By input, as ADC3.")


class DigitalOutput(BoardSection):
    """A pin that the firmware drives. One that is no output (yet) is not active."""

    pin: PinName
    active: Active = "high"


class FanOutput(BoardSection):
    """A pin whose share of time is the fan's drive. By pin, or by its compare register as OCR0A."""

    pin: PinName
    active: Active = "high"


class DigitalInput(BoardSection):
    """A pin that the world drives."""

    pin: PinName
    active: Active = "high"


class TriggerInput(DigitalInput):
    """The trigger, a pulse."""

    pulse_second: float = Field(
        default=300e-6, gt=0.0, le=0.1, description="How long it is active; what looks more seldom misses it."
    )


class Key(DigitalInput):
    """A key of the front panel, pressed for a moment."""

    press_second: float = Field(
        default=300e-6, gt=0.0, le=1.0, description="How long it is pressed: what debounces it needs longer."
    )


class Encoder(BoardSection):
    """An encoder of the front panel: two contacts; turned upwards, `a` goes first."""

    a: PinName
    b: PinName
    active: Active = "high"
    edges: Literal[1, 2, 4] = Field(default=4, description="Of both contacts together, for one step.")
    edge_second: float = Field(
        default=300e-6, gt=0.0, le=0.1, description="From one edge to the next: what looks more seldom errs."
    )


class HostPort(BoardSection):
    """The serial line to the host: eight bits, no parity, one stop bit."""

    uart: int = Field(default=0, ge=0, le=3)
    baud: int = Field(default=115200, ge=300, le=2_000_000)


class StorePlace(BoardSection):
    """Where in the chip's EEPROM the firmware keeps its images: two, one after the other."""

    place: int = Field(ge=0, le=4096, description="Of the first byte of the first image.")
    room: int = Field(ge=9, le=4096, description="Bytes for each image.")


class Board(BoardSection):
    """A whole board."""

    chip: ChipName = "atmega328p"
    hertz: int = Field(default=16_000_000, ge=1_000_000, le=20_000_000, description="The chip's clock.")
    host: HostPort = HostPort()
    converters: list[MeasuringConverter] = Field(default=[], max_length=8)
    adc: BuiltInConverter | None = None
    level: LevelOutput = Field(description="Without it nothing can be drawn.")
    slew: SlewOutput | None = None
    relay: DigitalOutput | None = Field(default=None, description="Without it the input is always connected.")
    stage: DigitalOutput | None = Field(default=None, description="Without it the level alone turns it off.")
    capture: DigitalOutput | None = Field(default=None, description="Active while a capture runs.")
    fan: FanOutput | None = None
    trigger: TriggerInput | None = None
    stalled: DigitalInput | None = Field(
        default=None, description="Active while the host's side takes nothing (its CTS)."
    )
    keys: dict[str, dict[str, Key]] = Field(
        default={},
        description="The front panel's keys: for each word of an event, as panel.control, its key.",
    )
    encoders: dict[str, Encoder] = Field(
        default={}, description="The front panel's encoders, by the setting, as panel.sink.level."
    )
    store: StorePlace | None = Field(
        default=None, description="Where the firmware keeps its images, if it keeps them as the wire says."
    )

    @property
    def microcontroller(self) -> Microcontroller:
        """What its chip has."""
        return MICROCONTROLLERS[self.chip]

    @property
    def frame_cycles(self) -> int:
        """Cycles of one byte on the wire to the host: a start bit, eight bits, a stop bit."""
        return round(10 * self.hertz / self.host.baud)

    def devices(self) -> Iterator[tuple[Place, OnBus]]:
        """All chips on a bus, each with its place in the section."""
        for index, converter in enumerate(self.converters):
            yield ("converters", index), converter
        yield ("level",), self.level
        if self.slew is not None:
            yield ("slew",), self.slew

    def inputs(self) -> Iterator[tuple[Place, str, Active]]:
        """All pins that the world drives: the place of each in the section, the pin, its active level."""
        for key in ("trigger", "stalled"):
            wired: DigitalInput | None = getattr(self, key)
            if wired is not None:
                yield (key,), wired.pin, wired.active
        for event, keys in self.keys.items():
            for word, each in keys.items():
                yield ("keys", event, word), each.pin, each.active
        for event, encoder in self.encoders.items():
            yield ("encoders", event, "a"), encoder.a, encoder.active
            yield ("encoders", event, "b"), encoder.b, encoder.active

    @model_validator(mode="after")
    def _fits_the_chip(self) -> Board:
        _tell(_Survey(self).complaints())
        return self


class _Survey:
    """Every pin of a board against its chip, and against the others."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._chip = board.microcontroller
        self._used: dict[str, str] = {}
        self._shared: dict[str | int, OnBus] = {}

    def complaints(self) -> Iterator[Complaint]:
        """Place in the section, and what is wrong with it."""
        board, chip = self._board, self._chip
        if board.host.uart not in chip.uarts:
            has = ", ".join(map(str, chip.uarts))
            yield ("host", "uart"), f"{board.chip} has no UART {board.host.uart}: write one of {has}"
            return
        for name, pin in chip.uarts[board.host.uart].items():
            self._used[pin] = f"{name} of the host's UART"
        devices = list(board.devices())
        for bus, pins in (("spi", chip.spi), ("twi", chip.twi)):
            if any(getattr(device, bus) is not None for _, device in devices):
                for name, pin in pins.items():
                    yield from self._take(pin, f"{name} of the {bus.upper()}", (bus,))
        for place, device in devices:
            yield from self._device(place, device)
        if board.adc is not None:
            for name in board.adc.inputs:
                yield from self._analog(name)
        for key in ("relay", "stage", "capture"):
            wired: DigitalOutput | None = getattr(board, key)
            if wired is not None:
                yield from self._take(wired.pin, key, (key, "pin"))
        inputs = list(board.inputs())
        for place, input_pin, _ in inputs:
            own = place if place[0] == "encoders" else (*place, "pin")
            yield from self._take(input_pin, told(place), own)
        if len(inputs) > MOST_INPUTS:
            yield ("keys",), f"{len(inputs)} pins are driven by the world: {MOST_INPUTS} at most here"
        if board.fan is not None:
            yield from self._fan(board.fan)

    def _take(self, pin: str, use: str, place: Place) -> Iterator[Complaint]:
        if pin not in self._chip.pins:
            yield place, f"{self._board.chip} has no pin {pin}: write one like PC0 that it has"
        elif pin in self._used:
            yield place, f"{pin} is {self._used[pin]} already: give one of them another pin"
        else:
            self._used[pin] = use

    def _device(self, place: Place, device: OnBus) -> Iterator[Complaint]:
        at: str | int | None = device.spi if device.spi is not None else device.twi
        assert at is not None
        key = "spi" if device.spi is not None else "twi"
        other = self._shared.setdefault(at, device)
        if other is not device:
            if not (_marked(other) and _marked(device)) or _same_mark(other, device):
                said = f"{at:#04x}" if isinstance(at, int) else at
                yield (
                    (*place, key),
                    f"{said} selects another chip already: only outputs with a different mark each share one",
                )
        elif isinstance(at, str):
            yield from self._take(at, f"the select pin of {told(place)}", (*place, key))

    def _analog(self, name: str) -> Iterator[Complaint]:
        place = ("adc", "inputs", name)
        if name not in self._chip.analog:
            has = ", ".join(self._chip.analog)
            yield place, f"{self._board.chip} has no analog input {name}: write one of {has}"
            return
        pin = self._chip.analog[name]
        if pin is not None:
            yield from self._take(pin, name, place)

    def _fan(self, fan: FanOutput) -> Iterator[Complaint]:
        unit = compare_unit(self._chip, fan.pin)
        if unit is None:
            has = ", ".join(f"{pin} (OCR{name[2:]})" for name, pin in sorted(self._chip.compare.items()))
            yield ("fan", "pin"), f"no timer of {self._board.chip} drives {fan.pin}: write one of {has}"
            return
        yield from self._take(self._chip.compare[unit], "the fan's drive", ("fan", "pin"))


def _marked(device: OnBus) -> bool:
    return isinstance(device, OutputConverter) and device.mark is not None


def _same_mark(one: OnBus, other: OnBus) -> bool:
    assert isinstance(one, OutputConverter)
    assert isinstance(other, OutputConverter)
    return one.mark == other.mark


def compare_unit(chip: Microcontroller, name: str) -> str | None:
    """The compare unit (OC0A) of a pin or of its register (OCR0A), if there is one."""
    if name.startswith("OCR"):
        unit = f"OC{name[3:]}"
        return unit if unit in chip.compare else None
    return next((unit for unit, pin in chip.compare.items() if pin == name), None)
