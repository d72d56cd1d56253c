"""What the generated core costs on an ATmega328P, and how fast the whole firmware is simulated.

Flash and memory come from the linker, cycles from the simulator's own counter (interrupt entry costs it
nothing, on the chip 4 cycles). Needs avr-gcc and libsimavr.

`core_flash_bytes` is what answering lines costs; `core_flash_bytes_all` counts the rest too: the clocks and
protections of the tick, the front panel and the captures. `cycles_against_chain` compares the core with
`chain.c`, a chain of string comparisons for the same names written as one does by hand, on the same lines.
"""

from __future__ import annotations

import statistics
import subprocess
import tempfile
import time
from importlib.resources import files
from pathlib import Path

from wirevow.emu.firmware.build import (
    AVR_OPTIONS,
    build_elf,
    build_line_server,
    build_rig,
    compile_c,
    demo_vow,
)
from wirevow.emu.firmware.chip import Chip, ChipInstrument
from wirevow.emu.firmware.wiring import RELAY, reference_board, wire
from wirevow.emu.plant.sink_section import SinkPlant
from wirevow.protocol.record import parts_of
from wirevow.protocol.vow import Vow, part_bytes, record_of

BARS = {
    "core_flash_bytes": ("at most", 8192.0),
    "core_flash_bytes_all": ("at most", 10240.0),
    "core_ram_bytes": ("at most", 256.0),
    "firmware_flash_bytes": ("at most", 32768.0),
    "firmware_ram_bytes": ("at most", 2048.0),
    "cycles_per_line": ("at most", 2778.0),
    "cycles_per_line_greatest": ("at most", 8000.0),
    "cycles_against_chain": ("at most", 1.25),
    "avr_speed": ("at least", 10.0),
}
MILLISECOND_NS = 1_000_000
CHARACTER_NS = 86_806
SECONDS = 10
SERVER = Path(str(files("wirevow.emu.firmware"))) / "avr" / "line_server.c"


def sections(elf: Path) -> tuple[int, int]:
    """Bytes of flash and of memory."""
    text, data, bss = (
        subprocess.run(["avr-size", str(elf)], check=True, capture_output=True, text=True)
        .stdout.splitlines()[1]
        .split()[:3]
    )
    return int(text) + int(data), int(data) + int(bss)


def lines(vow: Vow) -> list[bytes]:
    """Every point asked, every setting put to its default, and every action tried; each with a tag too."""
    found = [f"ask {name}" for name, entry in vow.points.items() if entry.record is None]
    for name, entry in vow.points.items():
        if entry.record is not None:
            parts = parts_of(record_of(vow, entry), part_bytes(vow, entry))
            found += [f"ask {name} {part}" for part in range(parts)]
    for entry in vow.settings:
        found.append(f"put {entry.name} {' '.join(entry.words(entry.default))}")
    found += [f"act {name}" for name in vow.actions if name != "self.reboot"]
    found += [f"@{number:x} {line}" for number, line in enumerate(found)]
    return [line.encode() + b"\n" for line in found]


def cycles(chip: Chip, line: bytes) -> int:
    """Cycles from the line's LF to the first byte of its answer."""
    chip.take()
    chip.send(line)
    heard = chip.cycle
    while chip.rig.out_length == 0:
        now_ns = chip.run(chip.rig.now_ns + MILLISECOND_NS, talk=True)
        if chip.rig.outputs.pins & RELAY and chip.rig.out_length == 0:
            heard = chip.cycle
    # Let the rest of the answer go.
    before = -1
    while chip.rig.out_length != before:
        before = chip.rig.out_length
        chip.run(now_ns := now_ns + 4 * CHARACTER_NS)
    return int(chip.rig.out_cycle[0]) - heard


def build_chain(vow: Vow, folder: Path) -> Path:
    """The chain of string comparisons for the document's names."""
    rows = []
    for index, name in enumerate((*vow.points, *vow.actions)):
        entry = vow.points.get(name)
        unit = "1" if entry is None or entry.scale is None else entry.scale.unit
        found = f'*unit = PSTR("{"" if unit == "1" else f" {unit}"}"); return {index};'
        rows.append(f'else if (strcmp_P(name, PSTR("{name}")) == 0) {{ {found} }}')
    (folder / "chain_names.h").write_text("\n".join(rows) + "\n")
    elf = folder / "chain.elf"
    source = Path(__file__).with_name("chain.c")
    given = ['-DCHAIN_NAMES="chain_names.h"', f"-I{folder}", str(source), "-o", str(elf)]
    compile_c("avr-gcc", [*AVR_OPTIONS, *given])
    return elf


def typical(rig: Path, elf: Path, given: list[bytes]) -> list[int]:
    """The cycles of each line on a fresh chip."""
    section = demo_vow().document.plant
    assert isinstance(section, SinkPlant)
    chip = Chip(rig, elf, wire(reference_board(), section))
    chip.reset("power")
    chip.run(20 * MILLISECOND_NS)
    return [cycles(chip, line) for line in given]


def measure() -> dict[str, float]:
    vow = demo_vow()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        server, firmware, rig = build_line_server(vow, folder), build_elf(vow, folder), build_rig(folder)
        empty = folder / "empty.c"
        empty.write_text("int main(void) { return 0; }\n")
        compile_c("avr-gcc", [*AVR_OPTIONS, str(empty), "-o", str(folder / "empty.elf")])
        bare = sections(folder / "empty.elf")
        core = sections(server)
        whole = sections(firmware)
        header = (folder / "tarn_vow.h").read_text()
        reply = int(header.split("TARN_LONGEST_REPLY ")[1].split()[0])
        limit = vow.document.wire.line_limit
        buffers = limit + 1 + limit + 2 * reply
        everything = folder / "everything.elf"
        sources = [str(folder / "tarn_vow.c"), str(SERVER), "-o", str(everything)]
        compile_c("avr-gcc", [*(o for o in AVR_OPTIONS if "gc-sections" not in o), f"-I{folder}", *sources])
        complete = sections(everything)
        measured = typical(rig, server, lines(vow))
        chain = typical(rig, build_chain(vow, folder), lines(vow))
        box = ChipInstrument(vow, rig, firmware)
        begun = time.perf_counter()
        box.advance(box.now_ns + SECONDS * 10**9)
        speed = SECONDS / (time.perf_counter() - begun)
    return {
        "core_flash_bytes": core[0] - bare[0],
        "core_flash_bytes_all": complete[0] - bare[0],
        "core_ram_bytes": core[1] - bare[1] - buffers,
        "firmware_flash_bytes": whole[0],
        "firmware_ram_bytes": whole[1],
        "cycles_per_line": statistics.median(measured),
        "cycles_per_line_greatest": max(measured),
        "cycles_against_chain": statistics.median(measured) / statistics.median(chain),
        "avr_speed": speed,
    }
