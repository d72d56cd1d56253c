"""Compilers for generated cores: what there is, and how a core becomes a library."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
from pathlib import Path

from wirevow.protocol.codegen.c import generate, write
from wirevow.protocol.codegen.names import identifier
from wirevow.protocol.vow import Vow

HERE = Path(__file__).parent
WARNINGS = ["-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror"]
SANITIZERS = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-fno-omit-frame-pointer", "-g"]


def have(*tools: str) -> bool:
    """Whether all these programs are installed."""
    return all(shutil.which(tool) for tool in tools)


def run(command: list[str], folder: Path | None = None) -> str:
    """The output of a compiler that works in `folder`; its complaints are the failure."""
    done = subprocess.run(command, capture_output=True, text=True, cwd=folder)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stderr}"
    return done.stdout


def saves(files: dict[str, str]) -> list[str]:
    """What the test's application needs to be told of a core that has a store."""
    return ["-DVOW_SAVES"] if any("_ENTRIES" in text for text in files.values()) else []


def build_library(vow: Vow, folder: Path, options: list[str], slips: dict[str, str] | None = None) -> Path:
    """The core of `vow` and the test's application as a shared library in `folder`.

    `slips` are texts of the core to replace, to see that a wrong core is found out.
    """
    prefix = identifier(vow.identity[0])
    if f"-D{prefix.upper()}_ACCEPTS" in options:
        options = [*options, "-DVOW_ACCEPTS"]
    files = generate(vow)
    for right, wrong in (slips or {}).items():
        files = {name: text.replace(right, wrong) for name, text in files.items()}
    sources = [str(path) for path in write(files, folder) if path.suffix == ".c"]
    library = folder / "core.so"
    run(
        ["gcc", "-std=c99", "-shared", "-fPIC", *options, f"-DVOW={prefix}", f"-DVOW_UPPER={prefix.upper()}",
         *saves(files),
         f'-DVOW_HEADER="{prefix}_vow.h"',
         "-I", str(folder), *sources, str(HERE / "host.c"), "-o", str(library)]
    )  # fmt: skip
    return library


class _Entry(ctypes.Structure):
    _fields_ = (("mark", ctypes.c_uint32), ("value", ctypes.c_int32))


class Core:
    """A core in this process. Only one at a time of each library: its state is static, as on a chip."""

    def __init__(self, library: Path, prefix: str) -> None:
        self._library = ctypes.CDLL(str(library))
        self._prefix = prefix
        self.readings = (ctypes.c_int32 * 256).in_dll(self._library, "host_readings")
        self.samples = ((ctypes.c_int32 * 256) * 8).in_dll(self._library, "host_samples")
        self._log = (ctypes.c_uint8 * 256).in_dll(self._library, "host_log")
        self._logged = ctypes.c_uint8.in_dll(self._library, "host_logged")
        self._store = (_Entry * 256).in_dll(self._library, "host_store")
        self._kept = ctypes.c_uint16.in_dll(self._library, "host_kept")
        self._out = (ctypes.c_char * (1 << 16))()
        self._exchange = self._library.host_exchange
        self._drain = self._library.host_drain
        self.tick = self._function("tick", ctypes.c_uint16)
        self.boot = self._function("boot", ctypes.c_uint8)
        self.state = self._function("state")
        self.state.restype = ctypes.c_uint8
        self.get = self._function("get", ctypes.c_uint8)
        self.get.restype = ctypes.c_int32

    def _function(self, name: str, *arguments: type) -> ctypes._NamedFuncPointer:
        function: ctypes._NamedFuncPointer = getattr(self._library, f"{self._prefix}_{name}")
        function.argtypes = arguments
        return function

    def call(self, name: str, *arguments: int) -> int:
        """Any other function of the core."""
        return int(getattr(self._library, f"{self._prefix}_{name}")(*arguments))

    def fire(self, trip: int) -> None:
        """A protection acts now."""
        self.call("fire", trip)

    def exchange(self, data: bytes) -> bytes:
        """Give bytes to the core, one by one; what it sends meanwhile and after."""
        length = self._exchange(data, len(data), self._out, len(self._out))
        assert length >= 0, "the core took no byte though nothing was waiting to be sent"
        return bytes(memoryview(self._out)[:length])

    def feed(self, data: bytes) -> int:
        """Give bytes while nothing can be sent; how many were taken."""
        for taken, byte in enumerate(data):
            if not self.call("receive", byte) & 0xFF:
                return taken
        return len(data)

    def drain(self) -> bytes:
        """What the core has to send."""
        length = self._drain(self._out, len(self._out))
        return bytes(memoryview(self._out)[:length])

    def store(self) -> dict[int, int]:
        """What is kept, by mark."""
        return {each.mark: each.value for each in self._store[: self._kept.value]}

    def give_store(self, kept: dict[int, int]) -> None:
        """Let this be kept, whatever firmware has left it."""
        for at, (mark, value) in enumerate(kept.items()):
            self._store[at] = _Entry(mark, value)
        self._kept.value = len(kept)

    def events(self) -> bytes:
        """What the core asked of its application since the last call: pairs of a letter and an index."""
        data = bytes(self._log[: self._logged.value])
        self._logged.value = 0
        return data
