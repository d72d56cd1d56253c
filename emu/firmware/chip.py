"""The firmware as the unmodified binary of a microcontroller, simulated, closed around the plant.

Lock-step on a fixed grid of a millisecond (50 us while a capture runs): the converters' codes are given, the
chip runs, and what it drove is driven in the plant at its own cycle. Bytes go at the wire's rate. A request
takes the chip time, so a host's bytes let the chip (and the plant with it) run ahead of the clock until they
have been answered; the clock catches up in the next `advance`.
"""

from __future__ import annotations

import ctypes
import shutil
import tempfile
from pathlib import Path

from emu.bench import Bench
from emu.firmware.board import FirmwareInstrument
from protocol.vow import Vow

HERTZ = 16_000_000
GRID_NS = 1_000_000
CAPTURE_GRID_NS = 50_000
RELAY, SENSE, STAGE, CAPTURING = 1, 2, 4, 8
RESET_FLAGS = {"power": 1, "reset": 2, "brownout": 4, "watchdog": 8}
"""In MCUSR, as the data sheet has them."""
LONGEST_ANSWER_NS = 100_000_000
"""So long a line is waited for that may not be answered at all (one that was left lying, say)."""


class _Level(ctypes.Structure):
    _fields_ = (("cycle", ctypes.c_uint64), ("code", ctypes.c_uint16), ("port", ctypes.c_uint16))


class _Rig(ctypes.Structure):
    """`struct rig` of avr/rig.c."""

    _fields_ = (
        ("codes", ctypes.c_uint16 * 6),
        ("slew", ctypes.c_uint16),
        ("code", ctypes.c_uint16),
        ("port", ctypes.c_uint8),
        ("fan", ctypes.c_uint8),
        ("levels", ctypes.c_uint16),
        ("level", _Level * 64),
        ("out_length", ctypes.c_uint32),
        ("out", ctypes.c_uint8 * 65536),
        ("out_cycle", ctypes.c_uint64 * 65536),
        ("in_first", ctypes.c_uint32),
        ("in_last", ctypes.c_uint32),
        ("in_cycle", ctypes.c_uint64),
        ("resets", ctypes.c_uint32),
        ("in_ring", ctypes.c_uint8 * 65536),
    )


class Chip:
    """The simulated microcontroller alone: cycles, codes, bytes."""

    def __init__(self, rig: Path, elf: Path) -> None:
        # A library is loaded once for each path, and its state is static: every chip has its own copy.
        with tempfile.TemporaryDirectory(prefix="wirevow-") as folder:
            copy = Path(folder) / "rig.so"
            shutil.copy(rig, copy)
            self._library = ctypes.CDLL(str(copy))
        self._library.rig_cycle.restype = ctypes.c_uint64
        self._library.rig_run.argtypes = (ctypes.c_uint64,)
        self.rig = _Rig.in_dll(self._library, "rig")
        if self._library.rig_start(str(elf).encode()) != 0:
            raise ValueError(f"{elf} is no program for an ATmega328P")

    @property
    def cycle(self) -> int:
        """Cycles so far."""
        return int(self._library.rig_cycle())

    def reset(self, cause: str) -> None:
        """A reset of that kind."""
        self._library.rig_reset(RESET_FLAGS[cause])

    def run(self, cycle: int) -> None:
        """Run up to that cycle. ValueError when the program has crashed."""
        if self._library.rig_run(cycle) != 0:
            raise ValueError(f"the program crashed or stopped at cycle {self.cycle}: look at the firmware")

    def send(self, data: bytes) -> None:
        """Bytes from the host; they reach the receiver at the wire's rate."""
        self._library.rig_send(data, len(data))

    @property
    def hears(self) -> bool:
        """Whether bytes are still on their way to the receiver."""
        return bool(self.rig.in_first != self.rig.in_last)

    def trigger(self, level: bool) -> None:
        """The trigger input."""
        self._library.rig_trigger(int(level))

    def take(self) -> bytes:
        """What it has sent since the last call."""
        data = bytes(self.rig.out[: self.rig.out_length])
        self.rig.out_length = 0
        return data


class ChipInstrument(FirmwareInstrument):
    """The reference firmware on a simulated chip, on one bench. This board has no front panel."""

    def __init__(self, vow: Vow, rig: Path, elf: Path, bench: Bench | None = None, seed: int = 0) -> None:
        self._chip = Chip(rig, elf)
        self._begun = b""
        """Of a line from the host."""
        self._due = 0
        """Lines of the host that have not been answered."""
        self._sent = b""
        """What the chip has sent and no one has taken."""
        self._line = b""
        """Of a line from the chip."""
        super().__init__(vow, None, bench, seed)

    # What another board does in its own way.

    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        if not self.powered:
            return
        *whole, self._begun = (self._begun + data).split(b"\n")
        self._due += sum(line not in (b"", b"\r") for line in whole)
        self._chip.send(data)
        begun_ns = self.now_ns
        while self._chip.hears or (self._due > 0 and self.now_ns - begun_ns < LONGEST_ANSWER_NS):
            self._grid()
        self._due = 0

    def take(self) -> bytes:
        if not self.powered or self._blocked:
            return b""
        data, self._sent = self._sent, b""
        return data

    def advance(self, now_ns: int) -> None:
        while self.now_ns + GRID_NS <= now_ns:
            self._grid()

    def next_event_ns(self) -> int | None:
        return self.now_ns + GRID_NS

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        if event.startswith("panel."):
            raise ValueError(f"{event}: this board has no front panel; use the firmware in a process")
        if event == "trigger":
            self.advance(now_ns)
            self._chip.trigger(True)
            self._grid()
            self._chip.trigger(False)
            return
        super().bench(event, value, max(now_ns, self.now_ns))

    def power(self, on: bool, now_ns: int) -> None:
        super().power(on, max(now_ns, self.now_ns))

    def reset(self, now_ns: int) -> None:
        super().reset(max(now_ns, self.now_ns))

    def _start(self, cause: str) -> None:
        self._blocked = False
        self._edges.clear()
        self._begun = self._line = self._sent = b""
        self._due = 0
        self._convert()
        self._chip.reset(cause)
        begun_ns = self.now_ns
        while not self._sent.endswith(b"\n") and self.now_ns - begun_ns < LONGEST_ANSWER_NS:
            self._grid()

    def _grid(self) -> None:
        """One step of the fixed grid."""
        chip = self._chip
        span_ns = CAPTURE_GRID_NS if chip.rig.port & CAPTURING else GRID_NS
        begun_ns, begun = self.now_ns, chip.cycle
        if self.powered:
            self._convert()
            cycles = span_ns * HERTZ // 1_000_000_000
            chip.run(begun + cycles)
            self._drive_chip(begun_ns, begun, span_ns / cycles)
            self._listen()
        self._run_plant(begun_ns + span_ns)

    def _listen(self) -> None:
        """Count the answers in what has come."""
        sent = self._chip.take()
        if sent:
            lines = (self._line + sent).split(b"\n")
            self._line = lines.pop()
            self._due -= sum(not line.startswith(b"note ") for line in lines)
            self._sent += sent

    def _convert(self) -> None:
        tick = self.now_ns // CAPTURE_GRID_NS
        slow = self.now_ns % (16 * GRID_NS) == 0 or not self._chip.rig.codes[3]
        for index, (name, converter, fast) in enumerate(self._channels):
            if fast or slow:
                value = self.plant.sample(name, tick, CAPTURE_GRID_NS)
                self._chip.rig.codes[index] = converter.code(value)
        if slow:
            self._chip.rig.codes[5] = round(self.plant.at("fan.speed", self.now_ns))

    def _drive_chip(self, begun_ns: int, begun: int, ns_per_cycle: float) -> None:
        rig = self._chip.rig
        outputs = (rig.fan, rig.slew)
        if outputs != self._outputs:
            self._outputs = outputs
            self.plant.control(
                {"fan.manual": rig.fan / 255.0, "slew": max(float(rig.slew), 1.0)}, self.now_ns
            )
        for index in range(rig.levels):
            level = rig.level[index]
            when_ns = begun_ns + max(int((level.cycle - begun) * ns_per_cycle), 0)
            self._edges.append(
                (
                    when_ns,
                    {
                        "relay": "closed" if level.port & RELAY else "open",
                        "sense": "remote" if level.port & SENSE else "local",
                        "stage": "hold" if level.port & STAGE else "off",
                        "level.current": level.code * self._step_ampere,
                    },
                )
            )
        rig.levels = 0
