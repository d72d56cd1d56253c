"""The C core of a document: two files, the same bytes for the same document.

The tables come from `tables`, the rules of the wire from the templates, which differ between documents only
in what a document does not use.
"""

from __future__ import annotations

from collections.abc import Sequence, Sized
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from protocol.codegen.names import GenerateError
from protocol.codegen.pool import literal
from protocol.codegen.program import FIRST_OPERATION, MOST_MS, OPERATIONS
from protocol.codegen.tables import MOST_TICK_MS, NONE, NS_PER_MS, Group, Tables, tables
from protocol.document.model import BOOT_CAUSES
from protocol.vow import Vow

ARITHMETIC = (
    ("ADD", "left + right"),
    ("SUBTRACT", "left - right"),
    ("MULTIPLY", "left * right"),
    ("LESSER", "left < right ? left : right"),
    ("GREATER", "left < right ? right : left"),
    ("LESS", "left < right"),
)
"""What the operations with two operands are worth."""


def generate(vow: Vow) -> dict[str, str]:
    """File name -> text of the core. Raises GenerateError when C cannot carry the document."""
    found = tables(vow)
    environment = Environment(
        loader=PackageLoader("protocol.codegen"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
    )
    environment.filters |= {"int32": _int32, "comment": _comment, "literal": literal}
    context = _context(found)
    return {
        f"{found.prefix}_vow.{end}": environment.get_template(f"vow.{end}.j2").render(context)
        for end in ("h", "c")
    }


def write(files: dict[str, str], folder: Path) -> list[Path]:
    """Write the files that differ from what is there; the paths of all, in order."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, text in files.items():
        path = folder / name
        if not path.is_file() or path.read_bytes() != text.encode():
            path.write_bytes(text.encode())
        paths.append(path)
    return paths


def _context(found: Tables) -> dict[str, Any]:
    vow, prefix, document = found.vow, found.prefix, found.vow.document
    upper = prefix.upper()
    rules = [row.rule for row in found.trips] + found.leaves
    effects = {effect.lower() for effect, _ in found.effects}
    systems = {
        entry.system for entry in vow.points.values() if entry.system is not None and not entry.settable
    }
    used = {byte for program in found.programs for byte in program.code if isinstance(byte, str)}
    has = {
        "grain": any(row.grain != 1 for row in found.quantities),
        "notices": "notices" in vow.parts,
        "local": "local" in vow.parts,
        "ticket": any(row.gives_ms for row in found.actions),
        "guards": any(row.guard != NONE for row in found.actions),
        "derived": any(row.kind == "DERIVED" for row in found.names),
        "bounds": any(row.low != NONE or row.high != NONE for row in found.settings),
        "clock_ms": bool(used & {"UPTIME_MS", "SILENCE_MS"}),
        "capture": "capture" in effects,
        "capture_count": "capture" in effects or "captures" in systems,
        "series": any(row.source == "SERIES" for row in found.fields),
        "clamp": any(row.clamp for row in found.fields),
        "big": any(row.big for row in found.records),
        "clear_trip": "clear_trip" in effects and bool(found.trips),
        **{effect: effect in effects for effect in ("save", "recall", "defaults", "pulse", "reboot")},
    }
    longest = max(found.reply_bytes, document.wire.line_limit + 2)
    idle_ms = max(document.wire.idle_typing, document.wire.idle_checked) // NS_PER_MS
    if idle_ms >= 2**31 or any(
        idle % NS_PER_MS for idle in (document.wire.idle_typing, document.wire.idle_checked)
    ):
        raise GenerateError("wire: the C core counts idle times in whole milliseconds, up to 24 days")
    wide = [row for row in found.settings if row.wide]
    places = _places([program.code for program in found.programs])
    return {
        "t": found,
        "p": prefix,
        "P": upper,
        "title": _comment(document.vow.title),
        "name": vow.identity[0],
        "version": vow.identity[1],
        "digest": found.digest,
        "wire": document.wire,
        "has": has,
        "used": used,
        "rules": rules,
        "wide": len(wide),
        "narrow": len(found.settings) - len(wide),
        "first_saved": 4 * sum(not row.saved for row in wide),
        "saved_bytes": sum(4 if row.wide else 2 for row in found.settings if row.saved),
        # The guard and the notices are the last two.
        "default_bytes": 4 * len(wide) + 2 * (len(found.settings) - len(wide) - 2),
        "size_type": "uint8_t" if longest < 250 else "uint16_t",
        "state_type": _unsigned((1 << len(vow.states)) - 1),
        "shift_type": "unsigned int" if len(vow.states) <= 16 else "uint32_t",
        "value_type": "int64_t" if any(program.bits == 64 for program in found.programs) else "int32_t",
        "after_type": _unsigned(max([0xFFFF] + [rule.after_ms + 2 for rule in rules])),
        "idle_type": _unsigned(max(0xFFFF, idle_ms)),
        "ticket_type": _unsigned(max([0xFFFF] + [row.gives_ms + 1 for row in found.actions])),
        "unit_type": _unsigned(found.units.size),
        "place_type": _unsigned(places[-1] if places else 0),
        # Room for the last field to end in.
        "place_in_record": _unsigned(max([row.bytes + 4 for row in found.records], default=0)),
        "depth": max((program.depth for program in found.programs), default=0),
        "program_places": places,
        "pool_lines": [literal(word) for word in found.pool.words],
        "unit_lines": [literal(word) for word in found.units.words] or ['"\\000"'],
        "group_rows": [(place, group.first) for place, group in zip(*_group_places(found), strict=True)],
        "rests_bytes": sum(len(rest) + 1 for group in found.groups for rest in group.rests),
        "operations": [f"{name} = {FIRST_OPERATION + at}" for at, name in enumerate(OPERATIONS)],
        "arithmetic": ARITHMETIC,
        "most_tick": MOST_TICK_MS,
        "most_ms": MOST_MS,
        "name_rows": [(row.constant, _comment(row.means)) for row in found.names],
        "state_rows": [
            (f"{prefix}_state_{name}".upper(), _comment(state.means))
            for name, state in document.states.items()
        ],
        "trip_rows": [(row.constant, _comment(row.means)) for row in found.trips],
        "cause_rows": [(f"{upper}_CAUSE_{cause.upper()}", "") for cause in BOOT_CAUSES],
        "record_rows": [(row.constant, "") for row in found.records],
        "initial": f"{prefix}_state_{vow.initial}".upper(),
    }


def _unsigned(most: int) -> str:
    """The smallest unsigned type that holds this."""
    return "uint8_t" if most <= 0xFF else "uint16_t" if most <= 0xFFFF else "uint32_t"


def _places(pieces: Sequence[Sized]) -> list[int]:
    """Where each of the pieces begins when they stand one after another."""
    places = []
    at = 0
    for piece in pieces:
        places.append(at)
        at += len(piece)
    return places


def _group_places(found: Tables) -> tuple[list[int], list[Group]]:
    pieces = ["".join(f"{rest}." for rest in group.rests) for group in found.groups]
    return _places(pieces), found.groups


def _comment(text: str) -> str:
    """Prose that cannot end the comment it stands in."""
    return " ".join(text.split()).replace("*/", "* /").replace("/*", "/ *")


def _int32(value: int) -> str:
    """A constant of 32 bits: the least has no literal of its own."""
    return "(-2147483647L - 1L)" if value == -(2**31) else f"{value}L"
