"""The firmware of the example as an instrument: on this machine, a board of memory, and a held clock."""

from __future__ import annotations

import ctypes
from collections.abc import Collection
from pathlib import Path
from typing import Any, cast

import serial

from wirevow.emu.clock import VirtualClock
from wirevow.emu.direct import DirectPort
from wirevow.emu.firmware.build import HERE, compile_c
from wirevow.emu.ports.address import find
from wirevow.emu.ports.interface import Instrument
from wirevow.emu.ports.line import Line
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.campaign import Report
from wirevow.protocol.conformance.selection import selected
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.conformance.through import adapted
from wirevow.protocol.dialect.file import Phrasebook, load_phrasebook
from wirevow.protocol.dialect.narrow import Unasked, left_out, narrowed
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirement_ids
from wirevow.protocol.vow import Vow, compile_vow

SLUICE = HERE / "sluice"
MS = 1_000_000


def sluice() -> Vow:
    return compile_vow(load_document(find("sluice")).document)


def phrasebook() -> Phrasebook:
    return load_phrasebook(find("sluice", "dialects"), sluice())


def build(folder: Path, fault: int = 0) -> Path:
    library = folder / f"sluice-{fault}.so"
    sources = [str(SLUICE / "sluice.c"), str(Path(__file__).parent / "board.c")]
    options = ["-std=c99", "-Wall", "-Wextra", "-O2", "-shared", "-fPIC", f"-DFAULT={fault}", f"-I{SLUICE}"]
    compile_c("gcc", [*options, *sources, "-o", str(library)])
    return library


class Box:
    """Sluice's firmware, with the interface of a simulated instrument."""

    step_ns = MS

    def __init__(self, library: Path) -> None:
        self.now_ns = 0
        self.bench_events: Collection[str] = sluice().document.bench
        self._library: Any = ctypes.CDLL(str(library))
        self._on = True
        self._set("tank", 80)
        self._set("motor", 250)
        self._library.sluice_boot()

    def _value(self, name: str) -> ctypes.c_int32:
        return ctypes.c_int32.in_dll(self._library, name)

    def _set(self, name: str, value: int) -> None:
        self._value(name).value = value

    def receive(self, data: bytes, now_ns: int) -> None:
        self.advance(now_ns)
        if self._on:
            self._library.board_bytes(data, len(data))

    def advance(self, now_ns: int) -> None:
        if self._on:
            self._library.board_milliseconds(ctypes.c_int64(now_ns // MS - self.now_ns // MS))
        self.now_ns = now_ns

    def next_event_ns(self) -> int | None:
        return None  # it says nothing unasked but when it boots

    def take(self) -> bytes:
        length = self._value("length")
        said = (ctypes.c_char * length.value).in_dll(self._library, "said").raw if length.value else b""
        length.value = 0
        return said

    def opened(self, now_ns: int) -> None: ...

    def closed(self, now_ns: int) -> None: ...

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self.advance(now_ns)
        self._set(event, round(float(value or 0) * (100 if event == "tank" else 10)))

    def power(self, on: bool, now_ns: int) -> None:
        self.advance(now_ns)
        if on and not self._on:
            self._library.sluice_boot()
        self._on = on

    def reset(self, now_ns: int) -> None:
        self.power(False, now_ns)
        self.power(True, now_ns)


FAULTS = {
    1: "a rate that it answers is not kept",
    2: "a rate above the ceiling is taken",
    3: "the largest dose is refused",
    4: "the direction can be changed while it turns",
    5: "the dose is not kept",
    6: "a fault can be cleared while its cause is there",
    7: "a stop does nothing while it is primed",
    8: "its seconds are half as long after a while",
    9: "it stays primed for two seconds more",
    10: "an empty tank stops it too early",
    11: "a hot motor stops it too late",
}


def checked(instrument: Instrument, book: Phrasebook, *patterns: str, until_failure: bool = False) -> Report:
    """The report of a check through the dialect, of these requirements or all, in process on a held clock."""
    whole, vow = book.vow, narrowed(book)
    clock, line = VirtualClock(), Line(instrument)
    line.opened(0)
    port = cast(serial.Serial, DirectPort(line, clock))
    rig, port = adapted(InstrumentRig(line, clock, whole.identity[0]), port, book)
    session = Session(port, whole.document.wire.line_limit, rig)
    session.hold()
    if vow.document.wire.opening.settle:
        session.wait(vow.document.wire.opening.settle)  # a board that reset when its port opened boots
    tester = Tester(vow, session, energise=True, budget=20_000, unasked=Unasked(book))
    report = campaign.blank(tester, document=whole.document)
    only = requirement_ids(whole.document) - left_out(book).keys()
    if patterns:
        only = selected(sorted(only), patterns)
    return campaign.run(tester, report=report, only=only, until_failure=until_failure, reduce=False)
