"""The firmware as the unmodified binary of a microcontroller, simulated, closed around the plant.

In step to the cycle: the chip runs until it drives something or something happens in the plant, whatever
comes first; then the plant runs up to it and what was driven is driven. The converters' codes are those of
the cycle in which the firmware reads them (`converters.c`). Bytes go at the wire's rate. A request takes the
chip time, so a host's bytes let the chip (and the plant with it) run ahead of the clock until they have been
answered; the clock catches up in the next `advance`. While a rig holds the clock, bytes and answers take no
time instead: the chip works, and its timers stand still.
"""

from __future__ import annotations

import ctypes
import shutil
import tempfile
from collections.abc import Collection, Mapping
from pathlib import Path

from wirevow.emu.bench import Bench
from wirevow.emu.board import Board, StorePlace, told
from wirevow.emu.firmware.board import FirmwareInstrument, plant_name
from wirevow.emu.firmware.converters import Converters
from wirevow.emu.firmware.coverage import Coverage, covered_chip
from wirevow.emu.firmware.wiring import (
    CAPTURE,
    RELAY,
    STAGE,
    BoardError,
    Table,
    level_of,
    reference_board,
    wire,
)
from wirevow.emu.hands import bench_value, steps_of
from wirevow.emu.plant.agenda import PANEL
from wirevow.emu.plant.sink_section import SinkPlant
from wirevow.protocol.document.model import BenchEvent
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow

RESET_FLAGS = {"power": 1, "reset": 2, "brownout": 4, "watchdog": 8}
"""In MCUSR, as the data sheet has them."""
SLOWEST_AMPERE_PER_SECOND = 1.0
"""What the plant is told of a slew of zero."""
LONGEST_ANSWER_NS = 100_000_000
"""So long a line is waited for that may not be answered at all (one that was left lying, say)."""
FLASH = 1 << 18
"""Bytes: more than any chip of the library has below its bootloader's second bank."""
PIECE = 16384
"""Bytes that the rig takes at once."""
SILENT_FRAMES = 4
"""After so long without a byte it has said what it had to say."""
REFUSALS = {
    -1: "{elf} is no program that can be read: build an ELF file for {chip}",
    -2: "the installed libsimavr does not know {chip}: write another chip in the board",
    -3: "the installed libsimavr has not all of {chip} that the board uses: use other pins, or another chip",
    -4: "{elf} is larger than the flash of {chip}: was it built for that chip?",
}
"""What the rig says when it cannot start."""
MOST_BAUD_ERROR = 0.04
"""Common practice, no source: half a bit at the end of ten, less what the other side may be off."""


_TURN = "{} is an encoder on this board: write by how much it is turned, as +3 steps"


class ProgramError(WirevowError):
    """A program that cannot go on."""


class _Outputs(ctypes.Structure):
    _fields_ = (
        ("fan", ctypes.c_double),
        ("level", ctypes.c_uint32),
        ("slew", ctypes.c_uint32),
        ("pins", ctypes.c_uint8),
    )


class _Rig(ctypes.Structure):
    """`struct rig` of avr/rig.c."""

    _fields_ = (
        ("outputs", _Outputs),
        ("now_ns", ctypes.c_int64),
        ("base_ns", ctypes.c_int64),
        ("base_cycle", ctypes.c_uint64),
        ("cycle_ns", ctypes.c_double),
        ("heard_cycle", ctypes.c_uint64),
        ("sent_frame", ctypes.c_uint64),
        ("resets", ctypes.c_uint32),
        ("in_first", ctypes.c_uint32),
        ("in_last", ctypes.c_uint32),
        ("out_length", ctypes.c_uint32),
        ("out", ctypes.c_uint8 * 65536),
        ("out_cycle", ctypes.c_uint64 * 65536),
    )


class Chip:
    """The simulated microcontroller alone: its clock, what it drives, bytes."""

    def __init__(self, rig: Path, elf: Path, table: Table, clock_error_ppm: float = 0.0) -> None:
        # A library is loaded once for each path, and its state is static: every chip has its own copy.
        with tempfile.TemporaryDirectory(prefix="wirevow-") as folder:
            copy = Path(folder) / "rig.so"
            shutil.copy(rig, copy)
            self.library = ctypes.CDLL(str(copy))
        self.library.rig_cycle.restype = ctypes.c_uint64
        self.library.rig_store.argtypes = (ctypes.c_uint16, ctypes.c_char_p, ctypes.c_uint32)
        self.library.rig_store.restype = ctypes.c_bool
        self.library.rig_run.argtypes = (ctypes.c_int64, ctypes.c_bool)
        self.library.rig_set_clock.argtypes = (ctypes.c_int64, ctypes.c_double)
        self.library.rig_input.argtypes = (ctypes.c_uint8, ctypes.c_bool)
        self.rig = _Rig.in_dll(self.library, "rig")
        state = self.library.rig_start(str(elf).encode(), ctypes.byref(table))
        if state != 0:
            raise BoardError(REFUSALS[state].format(elf=elf, chip=table.chip.decode()))
        self.hertz, self.frame = int(table.hertz), int(table.frame)
        self._cycle_ns = 1e9 / self.hertz / (1.0 + clock_error_ppm * 1e-6)
        self.set_clock(0)

    def watch(self) -> ctypes.Array[ctypes.c_uint8]:
        """From now on a byte for each word of the flash tells what has been reached (`coverage`)."""
        ways = (ctypes.c_uint8 * (FLASH // 2))()
        self.library.rig_watch(ways)
        return ways

    @property
    def cycle(self) -> int:
        """Cycles so far."""
        return int(self.library.rig_cycle())

    def set_clock(self, now_ns: int) -> None:
        """It is that instant now, whatever has been before."""
        self.library.rig_set_clock(now_ns, self._cycle_ns)

    def reset(self, cause: str) -> None:
        """A reset of that kind."""
        self.library.rig_reset(RESET_FLAGS[cause])

    def run(self, until_ns: int, talk: bool = False) -> int:
        """Run to an instant, or until something is driven (with `talk`: or said); the instant reached.

        ProgramError when the program has crashed.
        """
        self._done(self.library.rig_run(until_ns, talk))
        return int(self.rig.now_ns)

    def _done(self, state: int) -> None:
        if state != 0:
            raise ProgramError(
                f"the program crashed, or sleeps without interrupts, at cycle {self.cycle}: mend it"
            )

    def freeze(self) -> None:
        """From now on no time passes for it, however long it works."""
        self.library.rig_freeze()

    @property
    def boots(self) -> bool:
        """Whether it has made itself boot since time stands still."""
        return bool(self.library.rig_boots())

    def thaw(self) -> None:
        """Time passes again."""
        self.library.rig_thaw()

    def work(self, cycles: int) -> None:
        """Run for so many cycles at most, or until something is driven or said. ProgramError as for `run`."""
        self._done(self.library.rig_work(cycles, True))

    def send(self, data: bytes) -> None:
        """Bytes from the host; they reach the receiver at the wire's rate."""
        self.library.rig_send(data, len(data))

    @property
    def hears(self) -> bool:
        """Whether bytes are still on their way to the receiver."""
        return bool(self.rig.in_first != self.rig.in_last)

    def write_store(self, place: int, data: bytes) -> None:
        """Write bytes into its EEPROM. BoardError when it ends before."""
        if not self.library.rig_store(place, data, len(data)):
            raise BoardError(
                f"the chip's EEPROM ends before byte {place + len(data)}: mend the board's store"
            )

    def input(self, index: int, active: bool) -> None:
        """The world drives one of the board's inputs, by its row in the table."""
        self.library.rig_input(index, active)

    def take(self) -> bytes:
        """What it has sent since the last call."""
        data = ctypes.string_at(self.rig.out, self.rig.out_length)
        self.rig.out_length = 0
        return data


class ChipInstrument(FirmwareInstrument):
    """A program on a simulated chip, on one bench: the reference firmware, or somebody's own.

    What happens at an input that the board does not have, cannot happen here.
    """

    def __init__(
        self,
        vow: Vow,
        rig: Path,
        elf: Path,
        bench: Bench | None = None,
        seed: int = 0,
        covered: bool = False,
    ) -> None:
        section = vow.document.plant
        if not isinstance(section, SinkPlant):
            raise ValueError(f"the board is a sink's, not that of {plant_name(vow)}")
        self._wiring = bench.board if bench is not None and bench.board is not None else reference_board()
        self._chip = Chip(rig, elf, wire(self._wiring, section), section.clock_error_ppm)
        self._elf = (elf.read_bytes(), str(elf)) if covered else None
        self._ways = self._chip.watch() if covered else b""
        self._work_left: int | None = None
        """Characters' time until the supply goes, if it is about to."""
        self._begun = b""
        """Of a line from the host."""
        self._due = 0
        """Lines of the host that have not been answered."""
        self._line = b""
        """Of a line from the chip."""
        self._said = 0
        """Lines from the chip so far."""
        self._driven: tuple[int, ...] = ()
        self._bypassed = False
        self._inputs = {told(place): index for index, (place, _, _) in enumerate(self._wiring.inputs())}
        self._phases = dict.fromkeys(self._wiring.encoders, 0)
        """How far each encoder is turned, in edges."""
        super().__init__(vow, None, bench, seed)
        for hand in self._hands:
            if (
                hand.event in self._wiring.encoders
                and steps_of(self.bench_events[hand.event], hand.value) is None
            ):
                raise BoardError(f"the bench's timeline: {_TURN.format(hand.event)}")

    def _events(self, declared: Mapping[str, BenchEvent]) -> Mapping[str, BenchEvent]:
        board = self._wiring
        panel: dict[str, object] = {**board.keys, **board.encoders}
        if board != reference_board():  # which has a panel whatever the document says
            for event in panel:
                _check_panel(board, event, declared)
        wired = {"trigger": board.trigger, "link.transmitter": board.stalled}
        return {
            name: event
            for name, event in declared.items()
            if (name in panel if name.startswith(PANEL) else wired.get(name, event) is not None)
        }

    @property
    def slow_events(self) -> Collection[str]:
        """Its front panel: hands on pins take time."""
        return {**self._wiring.keys, **self._wiring.encoders}

    def _section(self, section: SinkPlant) -> SinkPlant:
        return section.model_copy(update={"level": level_of(self._wiring, section.level)})

    def _place(self) -> StorePlace | None:
        return self._wiring.store

    def _write_store(self, place: int, data: bytes) -> None:
        self._chip.write_store(place, data)

    def _load(self, library: Path | None, section: SinkPlant) -> None:
        self._converters = Converters(self._chip.library, section, self.plant)

    def cut_after(self, steps: int) -> None:
        """It works so many more characters' time, and no longer until the supply comes back."""
        self._work_left = steps

    def ways(self) -> int:
        return int.from_bytes(bytes(self._ways), "little")

    def coverage(self) -> Coverage:
        if self._elf is None:
            return Coverage()
        return covered_chip(*self._elf, bytes(self._ways))

    # What another board does in its own way.

    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        if not self.powered:
            return
        for begin in range(0, len(data), PIECE):
            self._hear(data[begin : begin + PIECE])

    def _hear(self, data: bytes) -> None:
        *whole, self._begun = (self._begun + data).split(b"\n")
        self._due += sum(line not in (b"", b"\r") for line in whole)
        self._chip.send(data)
        if self._bypassed:
            self._finish()
            return
        longest_ns = self.now_ns + LONGEST_ANSWER_NS
        while self._chip.hears or (self._due > 0 and self.now_ns < longest_ns):
            self._step(self.now_ns + 1_000_000, True)
        self._due = 0

    def take(self) -> bytes:
        if not self.powered:
            return b""
        data = bytes(self._out)
        self._out.clear()
        return data

    def next_event_ns(self) -> int | None:
        return self.now_ns + 1_000_000

    def bypass(self, bypassed: bool) -> None:
        """While bypassed, bytes and what they ask for take no time."""
        self._bypassed = bypassed

    def _happen(self, event: str, value: float | str | None, now_ns: int) -> None:
        strokes = self._strokes(event, value)
        if strokes is None:
            super()._happen(event, value, self.now_ns)
        for name, active, second in strokes or ():
            self._chip.input(self._inputs[name], active)
            self._run(self.now_ns + round(second * 1e9), False)
        if self._bypassed and self.powered and (strokes or event == "link.transmitter"):
            self._finish()  # what it says to that

    def _strokes(self, event: str, value: float | str | None) -> list[tuple[str, bool, float]] | None:
        """What the world does to the pins: an input, whether it is active now, and for how many seconds."""
        board = self._wiring
        if event == "trigger" and board.trigger is not None:
            return [(event, True, board.trigger.pulse_second), (event, False, 0.0)]
        if event in board.keys:
            word = str(bench_value(self.vow, event, self.bench_events[event], value))
            key = f"keys {event} {word}"
            return [(key, True, board.keys[event][word].press_second), (key, False, 0.0)]
        if event not in board.encoders:
            return None
        encoder, steps = board.encoders[event], steps_of(self.bench_events[event], value)
        if steps is None:
            raise ValueError(_TURN.format(event))
        begun, way = self._phases[event], 1 if steps > 0 else -1
        self._phases[event] = begun + steps * encoder.edges
        strokes = []
        for phase in range(begun + way, self._phases[event] + way, way):
            strokes.append((f"encoders {event} a", phase % 4 in (1, 2), 0.0))
            strokes.append((f"encoders {event} b", phase % 4 in (2, 3), encoder.edge_second))
        return strokes

    def _stall(self, stalled: bool) -> None:
        super()._stall(stalled)
        if "stalled" in self._inputs:
            self._chip.input(self._inputs["stalled"], stalled)

    def power(self, on: bool, now_ns: int) -> None:
        super().power(on, max(now_ns, self.now_ns))

    def reset(self, now_ns: int) -> None:
        super().reset(max(now_ns, self.now_ns))

    def _start(self, cause: str) -> None:
        self._stall(False)
        self._work_left = None
        self._begun = self._line = b""
        self._due = 0
        self._driven = ()
        self._chip.set_clock(self.now_ns)
        self._chip.reset(cause)
        if self._bypassed:
            self._finish(boots=True)
            return
        longest_ns = self.now_ns + LONGEST_ANSWER_NS
        while not self._out.endswith(b"\n") and self.now_ns < longest_ns:
            self._step(longest_ns, True)
        self._check_baud()

    def _check_baud(self) -> None:
        sent = int(self._chip.rig.sent_frame)
        if sent and abs(sent / self._chip.frame - 1.0) > MOST_BAUD_ERROR:
            baud = round(10 * self._chip.hertz / sent)
            raise BoardError(
                f"the program sends at {baud} baud and the board's host at {self._wiring.host.baud}: "
                "mend UBRR and U2X, or the board's hertz and baud"
            )

    def _run(self, now_ns: int, talk: bool) -> None:
        while self.now_ns < now_ns:
            if not self.powered:
                self.plant.advance(now_ns)
                self.now_ns = now_ns
                return
            self._step(now_ns, talk)
            if self._line and self._bypassed:
                self._finish()
            if talk and self._out:
                return

    def _step(self, until_ns: int, talk: bool) -> None:
        """Run up to an instant or the next thing that happens, and let it happen."""
        self._converters.follow(slow=True)
        reached_ns = self._chip.run(min(until_ns, self.plant.quiet_until_ns()), talk)
        self.now_ns = max(reached_ns, self.now_ns)
        self.plant.advance(self.now_ns)
        self._drive(self.now_ns)
        self._listen()

    def _finish(self, boots: bool = False) -> None:
        """Let it hear, answer and say what it has to say, in no time, unless it waits for time to pass.

        If it `boots`, or does what it was asked to, that is a boot, its first line belongs to it.
        """
        chip = self._chip
        left = LONGEST_ANSWER_NS * chip.hertz // 1_000_000_000
        silent = 0
        resets, said = chip.rig.resets, self._said
        chip.freeze()
        while left > 0 and not chip.rig.outputs.pins & CAPTURE:
            if self._work_left is not None:
                if not self._work_left:
                    break
                self._work_left -= 1
            self._converters.follow(slow=True)
            begun = chip.cycle
            chip.work(chip.frame)
            self._drive(self.now_ns)
            spent = chip.cycle - begun
            left -= 0 if chip.hears else spent
            silent = 0 if self._listen() else silent + spent
            if chip.boots or chip.rig.resets != resets:
                resets, boots = chip.rig.resets, True
                self._line, said = b"", self._said
            elif boots:
                boots = self._said == said
            elif silent > SILENT_FRAMES * chip.frame and self._due <= 0 and not chip.hears:
                break
        chip.thaw()
        self._due = 0

    def _listen(self) -> bool:
        """Take what has come, and count the answers in it; whether anything has come."""
        sent = self._chip.take()
        if sent:
            lines = (self._line + sent).split(b"\n")
            self._line = lines.pop()
            self._said += len(lines)
            self._due -= sum(not line.startswith(b"note ") for line in lines)
            self._out += sent
        return bool(sent)

    def _drive(self, now_ns: int) -> None:
        outputs = self._chip.rig.outputs
        driven = (outputs.fan, outputs.level, outputs.slew, outputs.pins)
        if driven == self._driven:
            return
        self._driven = driven
        board = self._wiring
        closed = board.relay is None or outputs.pins & RELAY
        on = board.stage is None or outputs.pins & STAGE
        changes: dict[str, float | str] = {
            "relay": "closed" if closed else "open",
            "stage": "hold" if on else "off",
            "level.current": outputs.level * self._step_ampere,
            "fan.manual": outputs.fan,
        }
        if board.slew is not None:
            step = board.slew.full_scale_ampere_per_second / 2**board.slew.value.bits
            changes["slew"] = max(outputs.slew * step, SLOWEST_AMPERE_PER_SECOND)
        self.plant.control(changes, now_ns)


def _check_panel(board: Board, event: str, declared: Mapping[str, BenchEvent]) -> None:
    """BoardError unless the document has that event, and it is a key's or an encoder's."""
    section = "keys" if event in board.keys else "encoders"
    known = declared.get(event) if event.startswith(PANEL) else None
    if known is None:
        has = ", ".join(sorted(name for name in declared if name.startswith(PANEL))) or "(none)"
        raise BoardError(
            f"board, {section}: there is no {event} at this document's panel: write one of {has}"
        )
    if section == "keys" and set(board.keys[event]) != set(known.choice or ()):
        words = ", ".join(known.choice or ())
        raise BoardError(
            f"board, keys, {event}: "
            + (f"give each of {words} its key" if words else "that is a number: give it an encoder")
        )
    if section == "encoders" and known.value is None:
        raise BoardError(f"board, encoders, {event}: that is no number: give each of its words a key")
