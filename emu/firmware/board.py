"""The firmware as a process of this machine, closed around the plant: an instrument like the simulated one.

Lock-step: each millisecond of the firmware's own clock the plant runs up to it, the converters give their
codes, the firmware works, and what it drives is driven; a change of the level inside the millisecond (an edge
of the swing) happens at its own 100 us. Nothing but these exchanges decides what happens, so the same seed
and the same lines give the same bytes. As long as nothing happens in the plant and the firmware drives
nothing new, milliseconds pass in compiled code, with codes from the plant's closed forms (`converters.c`).
"""

from __future__ import annotations

import ctypes
import shutil
import tempfile
from collections import deque
from decimal import Decimal
from pathlib import Path

from wirevow.emu.bench import Bench
from wirevow.emu.board import StorePlace
from wirevow.emu.firmware.base import Firmware
from wirevow.emu.firmware.converters import Converters
from wirevow.emu.firmware.coverage import Coverage, covered_host
from wirevow.emu.firmware.wiring import reference_board
from wirevow.emu.hands import counts_given
from wirevow.emu.plant.agenda import PANEL
from wirevow.emu.plant.build import build_plant
from wirevow.emu.plant.sink import Sink
from wirevow.emu.plant.sink_section import SinkPlant
from wirevow.protocol.codegen.names import identifier
from wirevow.protocol.vow import Vow

MILLISECOND_NS = 1_000_000
STEPS = 10
CAPTURE_NS = 50_000
SAMPLES = 32
SLOW_MS = 16
"""Heat, the rail and the fan are looked at so often: heat is slow."""
MOST_AT_ONCE = 1_000_000
CAUSES = {"power": 0, "reset": 1, "watchdog": 2, "brownout": 3, "request": 4}


class _Level(ctypes.Structure):
    _fields_ = (("step", ctypes.c_uint8), ("on", ctypes.c_uint8), ("code", ctypes.c_uint16))


class _Board(ctypes.Structure):
    """`struct board` of host/board.h."""

    _fields_ = (
        ("codes", ctypes.c_uint16 * 5),
        ("fan_speed", ctypes.c_uint16),
        ("captured", (ctypes.c_uint16 * SAMPLES) * 2),
        ("capturing", ctypes.c_uint8),
        ("relay", ctypes.c_uint8),
        ("resets", ctypes.c_uint8),
        ("fan", ctypes.c_uint16),
        ("slew", ctypes.c_uint16),
        ("levels", ctypes.c_uint8),
        ("step", ctypes.c_uint8),
        ("level", _Level * 12),
        ("writes_left", ctypes.c_int32),
        ("store", ctypes.c_uint8 * 512),
        ("first", ctypes.c_uint16),
        ("last", ctypes.c_uint16),
        ("ring", ctypes.c_uint8 * 512),
        ("length", ctypes.c_int32),
        ("out", ctypes.c_uint8 * 8192),
    )


def plant_name(vow: Vow) -> str:
    """What the document's plant is called, for errors."""
    return "a document without a plant" if vow.document.plant is None else vow.document.plant.name


class FirmwareInstrument(Firmware):
    """The reference firmware on one bench.

    `library` is what `wirevow.emu.firmware.build.build_library` made.
    """

    plant: Sink

    def __init__(
        self,
        vow: Vow,
        library: Path | None,
        bench: Bench | None = None,
        seed: int = 0,
        counts: Path | None = None,
    ) -> None:
        """`counts`: the folder where it was built with --coverage."""
        self._counts = counts
        section = vow.document.plant
        if not isinstance(section, SinkPlant):
            raise ValueError(f"the reference firmware works a sink, not {plant_name(vow)}")
        section = self._section(section)
        super().__init__(vow, bench)
        plant = build_plant(section, bench, seed)
        assert isinstance(plant, Sink)
        self.plant = plant
        self._step_ampere = section.level.full_scale_ampere / 2 ** (section.level.bits or 12)
        # A fast clock makes shorter milliseconds.
        self._millisecond_ns = round(MILLISECOND_NS / (1.0 + section.clock_error_ppm * 1e-6))
        self.step_ns = self._millisecond_ns
        self._next_ns = self._millisecond_ns
        self._outputs: tuple[int, ...] = ()
        self._capture_ns: int | None = None
        self._edges: deque[tuple[int, dict[str, float | str]]] = deque()
        """What is to be driven later in this millisecond, and when."""
        self._booting = False
        self._points = {name: index for index, name in enumerate(_names(vow))}
        self._images = self._place()
        self._load(library, section)
        self._start("power")

    def _section(self, section: SinkPlant) -> SinkPlant:
        """The document's plant as this board has it."""
        return section

    def _place(self) -> StorePlace | None:
        return reference_board().store

    def _load(self, library: Path | None, section: SinkPlant) -> None:
        assert library is not None
        # A library is loaded once for each path, and its state is static: every instrument has its own copy,
        # which nobody needs any more once it is loaded.
        with tempfile.TemporaryDirectory(prefix="wirevow-") as folder:
            copy = Path(folder) / "board.so"
            shutil.copy(library, copy)
            self._library = ctypes.CDLL(str(copy))
        self.board = _Board.in_dll(self._library, "board")
        self._library.board_start.argtypes = (ctypes.c_uint8, ctypes.c_int64, ctypes.c_int64)
        self._library.board_run.argtypes = (ctypes.c_int64, ctypes.c_int64, ctypes.c_int32, ctypes.c_bool)
        self._get = getattr(self._library, f"{identifier(self.vow.identity[0])}_get")
        self._get.restype = ctypes.c_int32
        self._converters = Converters(self._library, section, self.plant)
        ctypes.memset(self.board.store, 0xFF, 512)  # as a new chip comes
        self.board.writes_left = -1

    # --------------------------------------------------------------------------------------- for ports

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes from the host, all at `now_ns`."""
        self.advance(now_ns)
        at = 0
        while self.powered and at < len(data):
            taken = self._library.board_receive(data[at:], len(data) - at)
            at += taken
            self._exchange()
            if taken == 0:
                break  # the ring is full and the transmitter stalled: lost, as on a chip

    def take(self) -> bytes:
        """Bytes to the host, drained."""
        if not self.powered or self._blocked:
            return b""
        self._exchange()
        data = bytes(self._out)
        self._out.clear()
        return data

    def next_event_ns(self) -> int | None:
        """The next millisecond."""
        return self._next_ns

    # ---------------------------------------------------------------------------------------- for rigs

    def _happen(self, event: str, value: float | str | None, now_ns: int) -> None:
        if event == "trigger":
            self._library.board_trigger()
            self._drive(now_ns)
        else:
            super()._happen(event, value, now_ns)

    def _stall(self, stalled: bool) -> None:
        self._blocked = stalled

    def _hand(self, event: str, given: Decimal | str | None, steps: int | None) -> None:
        if event == "panel.control":
            self._library.board_panel_control(int(given == "local"))
            return
        entry = self.vow.points[event.removeprefix(PANEL)]
        point = self._points[entry.name]
        counts = steps + self._get(point) if steps is not None else counts_given(entry, given)
        self._library.board_panel_put(point, counts)
        self._drive(self.now_ns)

    def power(self, on: bool, now_ns: int) -> None:
        """The box's own supply fails or comes back."""
        self.advance(now_ns)
        if on and not self.powered:
            self.powered = True
            self._start("power")
        elif not on and self.powered:
            self.powered = False
            self._out.clear()
            self._capture_ns = None
            self._edges.clear()
            self._outputs = ()
            self.plant.control({"relay": "open", "stage": "off", "fan.manual": 0.0}, now_ns)

    @property
    def stores(self) -> bool:
        """Whether it is known where its firmware keeps images."""
        return self._images is not None

    def keep(self, image: bytes) -> None:
        """The store holds this image, left by firmware of this document or of another, and no other.

        ValueError with power, or when there is no room.
        """
        place = self._images
        if self.powered or place is None:
            raise ValueError("the store is written while the supply is off: cut it first")
        if len(image) > place.room:
            raise ValueError(f"an image of {len(image)} bytes; this firmware has room for {place.room}")
        self._write_store(place.place, image.ljust(2 * place.room, b"\xff"))

    def _write_store(self, place: int, data: bytes) -> None:
        self.board.store[place : place + len(data)] = list(data)

    def reset(self, now_ns: int) -> None:
        """The reset pin is pulled."""
        self.advance(now_ns)
        if self.powered:
            self._out.clear()
            self._start("reset")

    def cut_after(self, steps: int) -> None:
        """So many more bytes are written to the store until the supply comes back."""
        self.board.writes_left = steps

    def ways(self) -> int:
        """A number with a bit for everything in it that has been reached; 0 where only lines are counted."""
        return 0

    def coverage(self) -> Coverage:
        """What of its C has been reached; nothing, if nobody asked for that before it was built."""
        if self._counts is None:
            return Coverage()
        self._library.board_count()
        return covered_host(self._counts)

    # -------------------------------------------------------------------------------------- lock-step

    def _start(self, cause: str) -> None:
        self._capture_ns = None
        self._blocked = False
        self.board.writes_left = -1
        tick, rest = divmod(self.now_ns, self._millisecond_ns)
        self._converters.follow(slow=True)
        # Between two ticks the sample's number is the instant itself.
        self._library.board_start(CAUSES[cause], self.now_ns, self.now_ns if rest else tick)
        self._drive(self.now_ns)

    def _run(self, now_ns: int, talk: bool) -> None:
        if not self.powered:
            self._next_ns += (
                max((now_ns - self._next_ns) // self._millisecond_ns + 1, 0) * self._millisecond_ns
            )
        while self._next_ns <= now_ns:
            self._run_plant(self._next_ns)
            self._milliseconds(now_ns, talk)
            if talk and self._out:
                return
        self._run_plant(now_ns)

    def _milliseconds(self, until_ns: int, talk: bool) -> None:
        """One millisecond, now, or as many up to `until_ns` as nothing happens in."""
        tick, count = self._next_ns // self._millisecond_ns, 1
        if not self._edges and self._capture_ns is None:
            last_ns = min(until_ns, self.plant.quiet_until_ns() - 1)
            count = max((last_ns - self._next_ns) // self._millisecond_ns + 1, 1)
        self._converters.follow(slow=count > 1 or tick % SLOW_MS == 0)
        done = self._library.board_run(tick, self._millisecond_ns, min(count, MOST_AT_ONCE), talk)
        self._next_ns += done * self._millisecond_ns
        if done > 1:
            self._run_plant(self._next_ns - self._millisecond_ns)
        self._collect()
        self._drive(self.now_ns)
        if self.board.resets:
            self._restart()

    def _run_plant(self, now_ns: int) -> None:
        """Run to `now_ns`; edges of the level and the end of a capture happen on the way."""
        while True:
            due_ns = now_ns
            if self._edges:
                due_ns = min(due_ns, self._edges[0][0])
            if self._capture_ns is not None:
                due_ns = min(due_ns, self._capture_ns + SAMPLES * CAPTURE_NS)
            self.plant.advance(due_ns)
            self.now_ns = due_ns
            if self._edges and self._edges[0][0] <= due_ns:
                _, changes = self._edges.popleft()
                self.plant.control(changes, due_ns)
            elif self._capture_ns is not None and self._capture_ns + SAMPLES * CAPTURE_NS <= due_ns:
                self._finish_capture()
            elif due_ns >= now_ns:
                return

    def _exchange(self) -> None:
        """Let the firmware read and answer, if the transmitter is free."""
        if self._blocked:
            self._library.board_listen()
            return
        self._library.board_send()
        self._collect()
        self._drive(self.now_ns)
        if self.board.resets:
            self._restart()

    def _collect(self) -> None:
        length = self.board.length
        if length:
            self._out += ctypes.string_at(self.board.out, length)
            self.board.length = 0

    def _restart(self) -> None:
        """It has asked for a reset. One that asks again as it boots is dead until it is looked at again."""
        if not self._booting:
            self._booting = True
            self._start("request")
            self._exchange()
            self._booting = False

    def _drive(self, now_ns: int) -> None:
        """What the board's outputs say; edges inside the millisecond at their own instants."""
        board = self.board
        outputs = (board.relay, board.fan, board.slew)
        if outputs != self._outputs:
            self._outputs = outputs
            self.plant.control(
                {
                    "relay": "closed" if board.relay else "open",
                    "fan.manual": min(board.fan / 1000.0, 1.0),
                    "slew": float(board.slew),
                },
                now_ns,
            )
        if board.levels:
            # What is driven now goes before what had been planned for later in this millisecond.
            self._edges.clear()
            for index in range(board.levels):
                level = board.level[index]
                when_ns = now_ns + level.step * self._millisecond_ns // STEPS
                stage, current = "hold" if level.on else "off", level.code * self._step_ampere
                self._edges.append((when_ns, {"stage": stage, "level.current": current}))
            board.levels = 0
            self._run_plant(now_ns)
        if board.capturing:
            board.capturing = 0
            self._capture_ns = self.now_ns

    def _finish_capture(self) -> None:
        assert self._capture_ns is not None
        first = -(-self._capture_ns // CAPTURE_NS)
        for row, name in enumerate(("input.current", "input.terminal_voltage")):
            converter = self.plant.converter(name)
            for index in range(SAMPLES):
                value = self.plant.sample(name, first + index, CAPTURE_NS)
                self.board.captured[row][index] = round((value - converter.low) / converter.step)
        self._capture_ns = None
        self._library.board_captured()


def _names(vow: Vow) -> list[str]:
    """Points and actions in the order in which the core numbers them."""
    return sorted([*vow.points, *vow.actions], key=lambda name: name.partition("."))
