"""The firmware of the example as the binary of a simulated microcontroller, on the held clock of a check."""

from __future__ import annotations

from pathlib import Path

from tests.dialect.box import SLUICE, sluice
from wirevow.emu.firmware.build import AVR_OPTIONS, compile_c
from wirevow.emu.firmware.chip import SILENT_FRAMES, Chip
from wirevow.emu.firmware.converters import CHANNELS, World
from wirevow.emu.firmware.wiring import Analog, Table, no_pins

HERTZ, BAUD = 8_000_000, 9600
TANK, MOTOR = CHANNELS.index("supply.rail"), CHANNELS.index("heat.sensor_voltage")
"""Of the simulated world's voltages, those that its two inputs are wired to."""
DRIVEN = 3


def build(folder: Path, fault: int = 0) -> Path:
    elf = folder / f"sluice-{fault}.elf"
    sources = [str(SLUICE / name) for name in ("sluice.c", "avr.c")]
    compile_c("avr-gcc", [*AVR_OPTIONS, "-Wall", "-Wextra", f"-DFAULT={fault}", *sources, "-o", str(elf)])
    return elf


class ChipBox:
    """Sluice's firmware on a chip, with the interface of a simulated instrument; bytes take it no time."""

    step_ns = 1_000_000

    def __init__(self, rig: Path, elf: Path) -> None:
        self.now_ns = 0
        self.bench_events = sluice().document.bench
        self._on = True
        self._said = b""
        table = no_pins(Table(chip=b"atmega328p", hertz=HERTZ, frame=round(10 * HERTZ / BAUD), uart=b"0"))
        table.reference_volt = 5.0
        table.analog[0], table.analog[1] = Analog(TANK, 1.0, 0.0), Analog(MOTOR, 1.0, 0.0)
        self._chip = Chip(rig, elf, table)
        self._world = World.in_dll(self._chip.library, "world")
        self._world.thermistor = DRIVEN
        for channel in (TANK, MOTOR):
            self._world.converter[channel].gain = 1.0
        self._turn("tank", 0.8)
        self._turn("motor", 25.0)
        self._boot("power")

    def _turn(self, event: str, value: float) -> None:
        if event == "tank":
            self._world.rail = 5.0 * value
        else:
            self._world.driven = 1.0 + 0.025 * value

    def _boot(self, cause: str) -> None:
        self._chip.set_clock(self.now_ns)
        self._chip.reset(cause)
        self._work()

    def _work(self) -> None:
        """Let it hear and say what there is, in no time."""
        chip, silent = self._chip, 0
        chip.freeze()
        while chip.hears or silent < SILENT_FRAMES * chip.frame:
            begun = chip.cycle
            chip.work(chip.frame)
            said = chip.take()
            self._said += said
            silent = 0 if said or chip.hears else silent + chip.cycle - begun
        chip.thaw()

    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        if self._on:
            self._chip.send(data)
            self._work()

    def advance(self, now_ns: int) -> None:
        while self._on and self.now_ns < now_ns:
            self.now_ns = max(self.now_ns, self._chip.run(now_ns))
            self._said += self._chip.take()
        self.now_ns = max(self.now_ns, now_ns)

    def next_event_ns(self) -> int | None:
        return None  # it says nothing unasked but when it boots

    def take(self) -> bytes:
        said, self._said = self._said, b""
        return said

    def opened(self, now_ns: int) -> None: ...

    def closed(self, now_ns: int) -> None: ...

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self.advance(now_ns)
        self._turn(event, float(value or 0))

    def power(self, on: bool, now_ns: int) -> None:
        self.advance(now_ns)
        if on and not self._on:
            self._boot("power")
        self._on, self._said = on, self._said if on else b""

    def reset(self, now_ns: int) -> None:
        self.advance(now_ns)
        self._boot("reset")
