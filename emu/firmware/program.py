"""Firmware as a program of this machine, behind its standard input and output, with the document's plant.

The link is that of `spec/rig.md`, "Firmware as a program"; `templates/host.c` is its other end. The program
has no clock: it is told how many milliseconds pass, with the readings of that moment, and answers at once
with what it drives and says. Readings are handed to it as often as the document lets its quickest one be old,
and whenever something was driven or has happened; many at once, as far ahead as the plant knows them. A boot
is a new process, so nothing of the last one is left but the store.
"""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import subprocess
import tempfile
import weakref
from decimal import Decimal
from pathlib import Path
from typing import IO

from wirevow.emu.bench import Bench
from wirevow.emu.firmware.base import Firmware
from wirevow.emu.firmware.board import CAUSES, MILLISECOND_NS
from wirevow.emu.firmware.start import output_names
from wirevow.emu.hands import counts_given
from wirevow.emu.instrument import counts_of
from wirevow.emu.plant.agenda import PANEL
from wirevow.emu.plant.build import plant_of
from wirevow.emu.plant.interface import Foretelling, Plant
from wirevow.protocol.codegen.tables import tables
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import PointEntry, Vow

VERSION = 1
ANSWER_S = 30.0
"""A program that has not answered by then hangs."""
ANSWER_LIMIT = 131_072
"""Bytes of an answer: more than `host.c` can say."""
MOST_READINGS = 600
"""In one request: it takes lines of 8192 characters."""
PIECE = 256
"""Bytes that it is told of at once: its ring holds twice as many."""
TOLD = 400
"""Characters of its standard error that are quoted."""
BOOTS_AT_ONCE = 3
"""A program that boots itself again as often as this while it boots is dead until it is looked at again."""


class ProgramError(WirevowError):
    """A program that cannot be run, or does not keep to the link."""


class _Process:
    """One run of the program, from a boot to the next."""

    def __init__(self, program: Path, store: Path) -> None:
        self._name = str(program)
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115
        try:
            self._popen = subprocess.Popen(
                [str(program.resolve()), str(store)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._errors,
                bufsize=0,
                start_new_session=True,
            )
        except OSError as error:
            raise ProgramError(
                f"{program}: it cannot be run ({error.strerror}): build it for this machine"
            ) from None
        assert self._popen.stdin is not None
        assert self._popen.stdout is not None
        self._in, self._out = self._popen.stdin.fileno(), self._popen.stdout.fileno()
        self._ended = weakref.finalize(self, _end, self._popen, self._errors)

    def ask(self, request: str) -> list[str]:
        """The words of its answer. ProgramError."""
        try:
            os.write(self._in, request.encode() + b"\n")
        except OSError:
            raise self._crashed() from None
        heard = b""
        while not heard.endswith(b"\n"):
            if not select.select([self._out], [], [], ANSWER_S)[0]:
                raise ProgramError(
                    f"{self._name}: it has not answered for {ANSWER_S:.0f} s: it hangs in "
                    f"`{request.partition(' ')[0]}`"
                )
            piece = os.read(self._out, 65536)
            if not piece:
                raise self._crashed()
            heard += piece
            if len(heard) > ANSWER_LIMIT:
                raise self.stranger(heard)
        return heard.decode("ascii", "replace").split()

    def stranger(self, heard: bytes | list[str]) -> ProgramError:
        """The error for one that does not speak the link."""
        said = heard if isinstance(heard, bytes) else " ".join(heard).encode()
        return ProgramError(
            f"{self._name}: it says {said[:60]!r}, which is not of this link: link core/host.c into it "
            "(`wirevow generate firmware`), and print nothing yourself on standard output"
        )

    def end(self) -> None:
        """Its power is cut."""
        self._ended()

    def _crashed(self) -> ProgramError:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._popen.wait(ANSWER_S)
        code = self._popen.returncode
        how = f"signal {-code}" if code is not None and code < 0 else f"status {code}"
        self._errors.seek(0)
        told = self._errors.read().decode("utf-8", "replace").strip()[-TOLD:]
        return ProgramError(f"{self._name}: the program ended with {how}{': ' + told if told else ''}")


def _end(popen: subprocess.Popen[bytes], errors: IO[bytes]) -> None:
    popen.kill()
    popen.wait()
    for pipe in (popen.stdin, popen.stdout, errors):
        if pipe is not None:
            pipe.close()


class ProgramInstrument(Firmware):
    """A program on one bench."""

    step_ns = MILLISECOND_NS

    def __init__(self, vow: Vow, program: Path, bench: Bench | None = None, seed: int = 0) -> None:
        super().__init__(vow, bench)
        self.plant: Plant = plant_of(vow.document, bench, seed)
        self._foretold = self.plant.foretold if isinstance(self.plant, Foretelling) else None
        found = tables(vow)
        self._digest = found.digest
        self._names = [row.name for row in found.names]
        self._readings = [vow.points[name] for _, name in found.signals]
        self._outputs = [
            (control, tuple(said for _, said in output.levels))
            for control, output in zip(output_names(found), found.outputs, strict=True)
        ]
        self._pulses = [name for _, name in found.pulses]
        periods_ns = [entry.period_ns for entry in self._readings]
        self._fresh_ms = max(min(periods_ns, default=1_000 * MILLISECOND_NS) // MILLISECOND_NS, 1)
        self._rows = max(MOST_READINGS // max(len(self._readings), 1), 1)
        self._program = program
        folder = tempfile.mkdtemp(prefix="wirevow-")
        weakref.finalize(self, shutil.rmtree, folder, True)
        self._store = Path(folder) / "store"
        self._next_ns = MILLISECOND_NS
        self._booting = 0
        self._process: _Process | None = None
        self._images = self._greeted()
        self._start("power")

    # ------------------------------------------------------------------------------------------- for ports

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes from the host, all at `now_ns`."""
        self.advance(now_ns)
        for begin in range(0, len(data), PIECE):
            if not self.powered:
                return
            self._do(f"hear {data[begin : begin + PIECE].hex()}", fresh=True)

    def take(self) -> bytes:
        """Bytes to the host, drained."""
        if not self.powered or self._blocked:
            return b""
        data = bytes(self._out)
        self._out.clear()
        return data

    def next_event_ns(self) -> int | None:
        """The next millisecond."""
        return max(self._next_ns, self.now_ns + 1)

    # -------------------------------------------------------------------------------------------- for rigs

    def _stall(self, stalled: bool) -> None:
        self._blocked = stalled
        if self.powered:
            self._do(f"stall {int(stalled)}")

    def _hand(self, event: str, given: Decimal | str | None, steps: int | None) -> None:
        if not self.powered:
            return
        if event == "panel.control":
            self._do(f"control {int(given == 'local')}")
            return
        entry = self.vow.points[event.removeprefix(PANEL)]
        point = self._names.index(entry.name)
        self._do(f"turn {point} {counts_given(entry, given)}" if steps is None else f"step {point} {steps}")

    def power(self, on: bool, now_ns: int) -> None:
        """The box's own supply fails or comes back."""
        self.advance(now_ns)
        if on and not self.powered:
            self.powered = True
            self._start("power")
        elif not on and self.powered:
            self.powered = False
            self._live.end()
            self._out.clear()
            self.plant.control(self.vow.states[self.vow.initial].outputs, now_ns)

    stores = True
    """It is known where its firmware keeps images."""

    def keep(self, image: bytes) -> None:
        """The store holds this image, and no other. ValueError with power, or when there is no room."""
        place, room = self._images
        if self.powered:
            raise ValueError("the store is written while the supply is off: cut it first")
        if len(image) > room:
            raise ValueError(f"an image of {len(image)} bytes; this firmware has room for {room}")
        kept = bytearray(self._store.read_bytes())
        kept[place : place + 2 * room] = image.ljust(2 * room, b"\xff")
        self._store.write_bytes(kept)

    def reset(self, now_ns: int) -> None:
        """The reset pin is pulled."""
        self.advance(now_ns)
        if self.powered:
            self._out.clear()
            self._start("reset")

    def _run(self, now_ns: int, talk: bool) -> None:
        while self.powered and self._next_ns <= now_ns:
            self._follow(self._next_ns)
            rows = [self._row(0)]
            count = (now_ns - self._next_ns) // MILLISECOND_NS + 1
            if count > self._fresh_ms and self._foretold is not None:
                quiet_ms = (self.plant.quiet_until_ns() - 1 - self._next_ns) // MILLISECOND_NS
                ahead = min(count - 1, quiet_ms) // self._fresh_ms
                rows += [self._row(row * self._fresh_ms) for row in range(1, min(ahead + 1, self._rows))]
            count = min(count, len(rows) * self._fresh_ms)
            self._do(f"run {count} {self._fresh_ms} {len(self._readings)} {' '.join(rows)}")
            if talk and self._out:
                return
        self._follow(now_ns)
        if self._next_ns <= now_ns:  # without power
            self._next_ns = now_ns - now_ns % MILLISECOND_NS + MILLISECOND_NS

    def _follow(self, now_ns: int) -> None:
        self.plant.advance(now_ns)
        self.now_ns = now_ns

    # ------------------------------------------------------------------------------------------- the link

    def _greeted(self) -> tuple[int, int]:
        """Where it keeps its images. ProgramError when it is not this document's."""
        process = _Process(self._program, self._store)
        said = process.ask("hello 0")
        process.end()
        if len(said) != 6 or said[0] != "firmware" or not (said[4].isdigit() and said[5].isdigit()):
            raise process.stranger(said)
        if said[1] != str(VERSION):
            raise ProgramError(
                f"{self._program}: it speaks version {said[1]} of the link, not {VERSION}: build it again, "
                "with the core/host.c of this Wirevow"
            )
        if (said[2], said[3]) != (self.vow.identity[0], self._digest):
            raise ProgramError(
                f"{self._program}: it was built for {said[2]} {said[3]}, and the document is "
                f"{self.vow.identity[0]} {self._digest}: generate its core anew, and build it"
            )
        return int(said[4]), int(said[5])

    def _start(self, cause: str) -> None:
        self._blocked = False
        self._booting += 1
        if self._process is not None:
            self._process.end()
        self._process = _Process(self._program, self._store)
        self._do(f"boot {CAUSES[cause]}", fresh=True)
        self._booting -= 1

    @property
    def _live(self) -> _Process:
        assert self._process is not None
        return self._process

    def _do(self, request: str, fresh: bool = False) -> int:
        """Ask it, with `fresh` readings, and let happen what it does; how many milliseconds have passed."""
        answer = self._live.ask(f"{request} {self._row(0)}" if fresh else request)
        try:
            passed = int(answer[0])
        except (ValueError, IndexError):
            raise self._live.stranger(answer) from None
        if passed:
            self._next_ns += passed * MILLISECOND_NS
            self._follow(self._next_ns - MILLISECOND_NS)
        if len(answer) > 1:
            self._heard(answer)
        return passed

    def _row(self, ahead_ms: int) -> str:
        """What it measures in so many milliseconds, in steps of the points."""
        tick = self.plant.now_ns // MILLISECOND_NS + ahead_ms
        sample = self._foretold if ahead_ms and self._foretold is not None else self.plant.sample
        values = []
        for entry in self._readings:
            assert entry.signal is not None
            values.append(counts_of(entry, sample(entry.signal, tick, MILLISECOND_NS)))
        return " ".join(map(str, values))

    def _heard(self, answer: list[str]) -> None:
        """What the program has done, in order."""
        words = iter(answer[1:])
        changes: list[tuple[str, float | str]] = []
        reset = False
        try:
            for what in words:
                if what == "say":
                    self._out += bytes.fromhex(next(words))
                    continue
                one, other = int(next(words)), int(next(words))
                if what == "drive":
                    control, levels = self._outputs[one]
                    changes.append((control, levels[other]))
                elif what == "put":
                    entry = self.vow.points[self._names[one]]
                    changes.append((entry.drives or "", _value_of(entry, other)))
                elif what == "pulse":
                    changes.append((self._pulses[one], 1.0))
                elif what == "reset":
                    reset = True
                else:
                    raise self._live.stranger(answer)
        except (IndexError, KeyError, StopIteration, ValueError):
            raise self._live.stranger(answer) from None
        for control, value in changes:
            known = self.plant.controls[control]
            if not known.choices:
                value = min(max(float(value), known.low), known.high)
            self.plant.control({control: value}, self.now_ns)
        if reset and self._booting < BOOTS_AT_ONCE:
            self._start("request")


def _value_of(entry: PointEntry, value: int) -> float | str:
    """A setting as the plant takes it: in SI units, or its word. IndexError if there is no such word."""
    return entry.choices[value] if entry.kind == "choice" else value * entry.si
