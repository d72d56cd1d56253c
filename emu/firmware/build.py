"""Compiling the reference firmware: as a library of this machine, or for a microcontroller."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from wirevow.protocol.codegen.c import generate, write
from wirevow.protocol.codegen.names import identifier
from wirevow.protocol.document.load import load_document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow, compile_vow

HERE = Path(str(files("wirevow.emu.firmware")))
PACKAGES = {"gcc": "gcc", "avr-gcc": "gcc-avr avr-libc", "simavr": "libsimavr-dev libelf-dev"}
WORLD_OPTIONS = ("-ffp-contract=off", f"-I{HERE}")
"""What the converters need to give the plant's own numbers."""
WORLD = (str(HERE / "converters.c"), "-lm")


class ToolError(WirevowError):
    """A compiler is missing or refuses its input."""


def demo_vow() -> Vow:
    """The document that the reference firmware keeps."""
    return compile_vow(load_document(Path(str(files("wirevow.spec").joinpath("tarn.yaml")))).document)


def sources(vow: Vow, folder: Path) -> list[Path]:
    """The generated core, written to `folder`, and the application: all but the board."""
    return [*_core(vow, folder), *sorted((HERE / "tarn").glob("*.c"))]


def _core(vow: Vow, folder: Path) -> list[Path]:
    return [path for path in write(generate(vow), folder) if path.suffix == ".c"]


def compile_c(compiler: str, arguments: Sequence[str]) -> None:
    """Run a compiler. ToolError when there is none or it complains."""
    if shutil.which(compiler) is None:
        raise ToolError(f"{compiler} is not installed: apt-get install {PACKAGES.get(compiler, compiler)}")
    done = subprocess.run([compiler, *arguments], capture_output=True, text=True)
    if done.returncode:
        raise ToolError(f"{compiler} could not compile the firmware:\n{done.stderr.strip()}")


def build_library(vow: Vow, folder: Path, options: Sequence[str] = ("-O2",), own: Path | None = None) -> Path:
    """The firmware and a board of memory as a shared library `board.so` in `folder`.

    `own` is a folder of C for `tarn/hardware.h`, in place of the reference firmware's.
    """
    if own is None:
        return link_library(sources(vow, folder), folder, folder, options)
    parts = sorted(own.glob("*.c"))
    if not parts:
        raise ToolError(
            f"{own}: there is no .c file in this folder; name the one with the firmware's sources"
        )
    prefix = identifier(vow.identity[0])
    return link_library([*_core(vow, folder), *parts], folder, folder, (f"-I{own}", *options), prefix)


def link_library(
    parts: Sequence[Path],
    folder: Path,
    core: Path,
    options: Sequence[str] = ("-O2",),
    prefix: str = "tarn",
) -> Path:
    """Sources or objects of the firmware, and the board, as `board.so` in `folder`; its core is in `core`."""
    library = folder / "board.so"
    board = [*parts, HERE / "host" / "board.c"]
    named = (f"-DVOW={prefix}", f'-DVOW_HEADER="{prefix}_vow.h"')
    arguments = ["-shared", *_host(core, (*options, *named)), *map(str, board), *WORLD, "-o", str(library)]
    compile_c("gcc", arguments)
    return library


def compile_object(source: Path, core: Path, options: Sequence[str] = ("-O2",)) -> Path:
    """One file of the firmware, compiled for this machine, beside its source. Warnings are not shown."""
    compiled = source.with_suffix(".o")
    compile_c("gcc", ["-c", "-w", *_host(core, options), str(source), "-o", str(compiled)])
    return compiled


def _host(core: Path, options: Sequence[str]) -> list[str]:
    places = (core, HERE / "tarn", HERE / "host")
    return ["-std=c99", "-fPIC", *options, *WORLD_OPTIONS, *(f"-I{place}" for place in places)]


AVR_OPTIONS = (
    "-std=gnu99",
    "-Os",
    "-mmcu=atmega328p",
    "-mrelax",
    "-ffunction-sections",
    "-fdata-sections",
    "-Wl,--gc-sections",
)


def build_elf(vow: Vow, folder: Path, options: Sequence[str] = ()) -> Path:
    """The firmware for an ATmega328P as `firmware.elf` in `folder`."""
    return _build_avr(folder, "firmware.elf", [*sources(vow, folder), HERE / "avr" / "board.c"], options)


def build_line_server(vow: Vow, folder: Path) -> Path:
    """The core alone on the same chip, as `line_server.elf`: for measuring what it costs."""
    return _build_avr(folder, "line_server.elf", [*_core(vow, folder), HERE / "avr" / "line_server.c"])


def _build_avr(folder: Path, name: str, parts: Sequence[Path], options: Sequence[str] = ()) -> Path:
    elf = folder / name
    compile_c(
        "avr-gcc",
        [
            *AVR_OPTIONS,
            *options,
            *(f"-I{place}" for place in (folder, HERE / "tarn")),
            *map(str, parts),
            "-o",
            str(elf),
        ],
    )
    return elf


def have_simulator() -> bool:
    """Whether the library that simulates the microcontroller is installed."""
    return Path("/usr/include/simavr/sim_avr.h").exists()


def build_rig(folder: Path) -> Path:
    """The simulated microcontroller with the board's chips as `rig.so` in `folder`.

    It is compiled here, on the user's machine: the library it links is under the GPL version 3.
    """
    if not have_simulator():
        raise ToolError(f"libsimavr is not installed: apt-get install {PACKAGES['simavr']}")
    rig = folder / "rig.so"
    compile_c(
        "gcc",
        [
            "-O2",
            "-shared",
            "-fPIC",
            *WORLD_OPTIONS,
            str(HERE / "avr" / "rig.c"),
            "-o",
            str(rig),
            "-lsimavr",
            "-lelf",
            *WORLD,
        ],
    )
    return rig
