"""An instrument that is firmware, by how it is to be run."""

from __future__ import annotations

import os
import tempfile
import weakref
from contextlib import ExitStack
from pathlib import Path

from wirevow.emu.bench import Bench
from wirevow.emu.firmware.board import FirmwareInstrument, plant_name
from wirevow.emu.firmware.build import build_elf, build_library, build_rig
from wirevow.emu.firmware.chip import ChipInstrument
from wirevow.emu.firmware.converters import CHANNELS
from wirevow.emu.firmware.coverage import CORE
from wirevow.emu.firmware.program import ProgramInstrument
from wirevow.emu.firmware.wiring import reference_board
from wirevow.emu.plant.sink_section import BetaLaw, SinkPlant
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow

COUNTED = ("-O0", "--coverage", "-DCOUNTED")
"""gcc counts what is reached."""
REFERENCE = ("host", "chip")
"""How the reference firmware is run; anything else is one's own."""


def run_firmware(
    vow: Vow, how: str, bench: Bench | None, seed: int, covered: bool = False
) -> FirmwareInstrument | ProgramInstrument:
    """The reference firmware in this process (`host`) or on a simulated chip (`chip`), or one's own.

    One's own is a program of this machine, built by the Makefile of `wirevow generate firmware`; a folder of
    C, compiled with its generated core and run in this process; or an ELF file, which runs on the board that
    the bench describes; if it describes none, on the reference firmware's. `covered`: it can tell what of its
    C has been reached.
    WirevowError when the document is not the firmware's, a tool is missing or the file cannot be used.
    """
    own = Path(how)
    if how not in REFERENCE and own.is_file() and own.suffix != ".elf" and os.access(own, os.X_OK):
        if covered:
            raise WirevowError(
                f"{how}: what a program has reached its own compiler tells: leave coverage out"
            )
        return ProgramInstrument(vow, own, bench, seed)
    section = vow.document.plant
    if not isinstance(section, SinkPlant):
        raise WirevowError(f"firmware works a sink here, not {plant_name(vow)}: name a sink, as tarn")
    if how in REFERENCE and vow.identity[0] != "tarn":
        raise WirevowError(f"the reference firmware is tarn's, not {vow.identity[0]}'s: write tarn")
    if how in REFERENCE and not isinstance(section.thermistor.law, BetaLaw):
        raise WirevowError(
            "the reference firmware's table is for a thermistor with a B value: write form: beta under plant"
        )
    given = {str(name): channel for name, channel in section.channels.items()}
    lacking = [name for name in CHANNELS if name not in given or given[name].bits is None]
    if how in REFERENCE and lacking:
        raise WirevowError(
            f"the reference firmware converts {lacking[0]}, which has no bits in the document:"
            " write them under plant, channels"
        )
    if how == "chip" and bench is not None and bench.board not in (None, reference_board()):
        raise WirevowError(
            "the reference firmware has its own board, and the bench describes another: leave that out, "
            "or name the .elf file that is made for it"
        )
    source = None if how in REFERENCE else own
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="wirevow-")))
        if how == "host" or (source is not None and own.is_dir()):
            library = build_library(vow, folder, COUNTED if covered else ("-O2",), own=source)
            instrument = FirmwareInstrument(vow, library, bench, seed, folder if covered else None)
            if covered:  # what is counted is there as long as the instrument
                weakref.finalize(instrument, stack.pop_all().close)
            return instrument
        if how == "chip":
            options = ("-gdwarf-4", f"-fdebug-prefix-map={folder}={CORE}") if covered else ()
            elf = build_elf(vow, folder, options)
            return ChipInstrument(vow, build_rig(folder), elf, bench, seed, covered)
        if own.suffix != ".elf" or not own.is_file():
            raise WirevowError(
                f"{how}: write host, chip, a program, an .elf file, or the folder of the firmware's C"
            )
        return ChipInstrument(vow, build_rig(folder), own, bench, seed, covered)
