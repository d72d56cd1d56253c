"""Compiling the reference firmware: as a library of this machine, or for a microcontroller."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from protocol.codegen.c import generate, write
from protocol.document.load import load_document
from protocol.errors import WirevowError
from protocol.vow import Vow, compile_vow

HERE = Path(str(files("emu.firmware")))
PACKAGES = {"gcc": "gcc", "avr-gcc": "gcc-avr avr-libc"}


class ToolError(WirevowError):
    """A compiler is missing or refuses its input."""


def demo_vow() -> Vow:
    """The document that the reference firmware keeps."""
    return compile_vow(load_document(Path(str(files("spec").joinpath("tarn.yaml")))).document)


def sources(vow: Vow, folder: Path) -> list[Path]:
    """The generated core, written to `folder`, and the application: all but the board."""
    core = [path for path in write(generate(vow), folder) if path.suffix == ".c"]
    return [*core, *sorted((HERE / "tarn").glob("*.c"))]


def compile_c(compiler: str, arguments: Sequence[str]) -> None:
    """Run a compiler. ToolError when there is none or it complains."""
    if shutil.which(compiler) is None:
        raise ToolError(f"{compiler} is not installed: apt-get install {PACKAGES.get(compiler, compiler)}")
    done = subprocess.run([compiler, *arguments], capture_output=True, text=True)
    if done.returncode:
        raise ToolError(f"{compiler} could not compile the firmware:\n{done.stderr.strip()}")


def build_library(vow: Vow, folder: Path, options: Sequence[str] = ("-O2",)) -> Path:
    """The firmware and a board of memory as a shared library `board.so` in `folder`."""
    library = folder / "board.so"
    compile_c(
        "gcc",
        [
            "-std=c99",
            "-shared",
            "-fPIC",
            *options,
            *(f"-I{place}" for place in (folder, HERE / "tarn", HERE / "host")),
            *map(str, sources(vow, folder)),
            str(HERE / "host" / "board.c"),
            "-o",
            str(library),
        ],
    )
    return library
