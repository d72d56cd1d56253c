"""What firmware of one's own begins with: the core, hardware to build it on, a Makefile, an application."""

from __future__ import annotations

from os.path import relpath
from pathlib import Path
from typing import Any
from urllib.parse import quote

from wirevow.emu.firmware.build import AVR_OPTIONS, HERE
from wirevow.protocol.codegen.c import generate
from wirevow.protocol.codegen.names import identifier
from wirevow.protocol.codegen.tables import Tables, tables
from wirevow.protocol.outputs import make_folder, write
from wirevow.protocol.templates import templates
from wirevow.protocol.vow import Vow

ONCE = ("Makefile", "app.c", "board.c")
"""What is the user's from then on."""

OTHERS = 4
"""Entries of other firmware for which an image has room besides its own."""


def output_names(found: Tables) -> list[str]:
    """The plant's controls that the states hold, in the order of the core's outputs."""
    controls = dict.fromkeys(name for state in found.vow.states.values() for name in state.outputs)
    names = {each.name for each in found.outputs}
    return [control for control in controls if identifier(control) in names]


def starting_files(vow: Vow, doc: str, folder: Path) -> dict[str, str]:
    """File name -> text. `doc` is how the document was named, `folder` where the files will be.

    Raises GenerateError when C cannot carry the document.
    """
    found = tables(vow)
    effects = {effect.lower() for effect, _ in found.effects}
    uses = {effect: effect in effects for effect in ("save", "reboot", "capture")}
    uses["series"] = any(row.source == "SERIES" for row in found.fields)
    drives = [
        (row.constant, setting.constant)
        for row in found.names
        if row.kind == "SETTING"
        and (setting := found.settings[row.index]).constant
        and vow.points[row.name].drives is not None
    ]
    named = relpath(doc, folder) if Path(doc).is_file() else doc
    context: dict[str, Any] = {
        "name": vow.identity[0],
        "p": found.prefix,
        "P": found.prefix.upper(),
        "t": found,
        "has": uses,
        "outputs": [(f"OUTPUT_{each.name}".upper(), f"{found.prefix}_{each.name}") for each in found.outputs],
        "drives": drives,
        "pulses": found.pulses,
        "room": 5 + 8 * (1 + sum(row.saved for row in found.settings) + OTHERS),
        "baud": vow.document.wire.baud,
        "doc": named,
        "doc_url": quote(named),
        "avr_options": " ".join(AVR_OPTIONS),
    }
    environment = templates("wirevow.emu.firmware", html=False)
    files = {name: environment.get_template(f"{name}.j2").render(context) for name in ONCE}
    files |= {f"core/{name}": text for name, text in generate(vow).items()}
    files["core/hardware.h"] = environment.get_template("hardware.h.j2").render(context)
    for place in (HERE / "templates" / "host.c", HERE / "tarn" / "store.c", HERE / "tarn" / "store.h"):
        files[f"core/{place.name}"] = place.read_text(encoding="utf-8")
    return files


def start(vow: Vow, doc: str, folder: Path) -> list[tuple[Path, bool]]:
    """Write them: each path, and whether it is left as it is because it is the user's.

    Raises GenerateError, and WirevowError for a folder that cannot be written.
    """
    done = []
    for name, text in starting_files(vow, doc, folder).items():
        path = folder / name
        kept = name in ONCE and path.exists()
        if not kept and not (path.is_file() and path.read_text(encoding="utf-8") == text):
            make_folder(path.parent)
            write(path, text)
        done.append((path, kept))
    return done
