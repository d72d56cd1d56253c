"""An instrument that is firmware, by how it is to be run."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from emu.bench import Bench
from emu.firmware.board import FirmwareInstrument
from emu.firmware.build import build_elf, build_library, build_rig
from emu.firmware.chip import ChipInstrument
from protocol.errors import WirevowError
from protocol.vow import Vow


def run_firmware(vow: Vow, how: str, bench: Bench | None, seed: int) -> FirmwareInstrument:
    """The reference firmware in this process (`host`) or on a simulated chip (`chip`, or an ELF file for it).

    WirevowError when the document is not the firmware's, a tool is missing or the file cannot be used.
    """
    if vow.identity[0] != "tarn":
        raise WirevowError(f"the reference firmware is tarn's, not {vow.identity[0]}'s: write tarn")
    with tempfile.TemporaryDirectory(prefix="wirevow-") as name:
        folder = Path(name)
        if how == "host":
            return FirmwareInstrument(vow, build_library(vow, folder), bench, seed)
        if how == "chip":
            return ChipInstrument(vow, build_rig(folder), build_elf(vow, folder), bench, seed)
        elf = Path(how)
        if elf.suffix != ".elf" or not elf.is_file():
            raise WirevowError(f"{how}: write host, chip, or the path of an .elf file")
        shutil.copy(elf, folder / "given.elf")
        return ChipInstrument(vow, build_rig(folder), folder / "given.elf", bench, seed)
