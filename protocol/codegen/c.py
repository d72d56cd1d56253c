"""The C core of a document: two files, the same bytes for the same document.

The tables come from `tables`, the rules of the wire from the templates, which differ between documents only
in what a document does not use.
"""

from __future__ import annotations

from collections.abc import Sequence, Sized
from pathlib import Path
from typing import Any

from wirevow.protocol.codegen.names import GenerateError
from wirevow.protocol.codegen.program import FIRST_OPERATION, MOST_MS, OPERATIONS, Program, in_c
from wirevow.protocol.codegen.tables import (
    BYTES,
    COUNTS,
    MOST_TICK_MS,
    NONE,
    NS_PER_MS,
    Group,
    Tables,
    tables,
)
from wirevow.protocol.document.model import BOOT_CAUSES
from wirevow.protocol.store import marks, saves_mark
from wirevow.protocol.templates import templates
from wirevow.protocol.vow import Vow

ARITHMETIC = (
    ("ADD", "left + right"),
    ("SUBTRACT", "left - right"),
    ("MULTIPLY", "left * right"),
    ("EQUAL", "left == right"),
)
"""What operations with two operands are worth; the others choose or round."""


def generate(vow: Vow) -> dict[str, str]:
    """File name -> text of the core. Raises GenerateError when C cannot carry the document."""
    found = tables(vow)
    environment = templates("wirevow.protocol.codegen", html=False)
    environment.filters |= {"int32": _int32, "comment": _comment, "bytes": _bytes, "string": _string}
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
    programs = [*found.programs, *(rule.condition for rule in rules)]
    value_type = "int64_t" if any(program.bits == 64 for program in programs) else "int32_t"
    conditions = [_condition(found, rule.condition, value_type == "int64_t") for rule in rules]
    has = {
        "grain": any(row.grain != 1 for row in found.quantities),
        "notices": "notices" in vow.parts,
        "local": "local" in vow.parts,
        "ticket": bool(found.tickets_ms),
        "guards": any(row.guard != NONE for row in found.actions),
        "derived": found.derived > 0,
        "bare_names": any("" in group.rests for group in found.groups),
        "bounds": any(row.low != NONE or row.high != NONE for row in found.settings),
        "comparisons": bool(used & {"LESSER", "GREATER", "LESS"}),
        "quotients": bool(used & {"DOWN", "NEAR", "NEAR_SIGNED"}),
        "clock_ms": any("milliseconds(" in text for text in conditions),
        "readings": any("reading(" in text for text in conditions),
        "lesser": any("lesser(" in text for text in conditions),
        "greater": any("greater(" in text for text in conditions),
        "capture": "capture" in effects,
        "capture_count": "capture" in effects or "captures" in systems,
        "series": any(row.source == "SERIES" for row in found.fields),
        "clamp": any(row.clamp for row in found.fields),
        "big": any(row.big for row in found.records),
        "numbers": any(row.many for row in found.actions),
        "hows": any(how for _, _, how in found.puts),
        "clear_trip": any(row.clears_trip for row in found.actions),
        **{
            effect: effect in effects
            for effect in ("save", "recall", "defaults", "pulse", "put", "begin", "reboot")
        },
    }
    longest = max(found.reply_bytes, document.wire.line_limit + 2)
    idle_ms = max(document.wire.idle_typing, document.wire.idle_checked) // NS_PER_MS
    if idle_ms >= 2**31 or any(
        idle % NS_PER_MS for idle in (document.wire.idle_typing, document.wire.idle_checked)
    ):
        raise GenerateError("wire: the C core counts idle times in whole milliseconds, up to 24 days")
    wide = [row for row in found.settings if row.wide]
    places = _places([program.code for program in found.programs])
    spell = found.spelling.spell
    if found.fields and sum(2 + 2 * (row.count > 1) for row in found.fields) > NONE:
        raise GenerateError("the records have more fields than the C core can number: leave some out")
    word_places, unit_places = (found.spelling.places(pool.words) for pool in (found.pool, found.units))
    place_bytes = 1 if max([row.bytes + 4 for row in found.records], default=0) <= 0xFF else 2
    # A program's number is its place when that fits a byte.
    direct = sum(len(program.code) for program in found.programs) <= NONE
    if unit_places[-1] > NONE:
        raise GenerateError("the units are too long for the C core: use fewer")
    sources = _sources(found, 1 + places[found.derived - 1] if direct and found.derived else found.derived)
    field_places = _places([range(2 + (place_bytes if row.count > 1 else 0)) for row in found.fields])
    # Those of records come first: their indices are in the tables already.
    ends = [
        value
        for row in found.quantities
        for value in (row.low, row.high, *([row.grain] if has["grain"] else []))
    ]
    constants = list(dict.fromkeys([*found.constants, *ends]))
    if len(constants) > NONE:
        raise GenerateError("the quantities have more different ends than the C core can number: use fewer")
    mark = marks(vow)
    if len({*mark.values(), saves_mark(vow)}) <= len(mark):
        raise GenerateError("two saved settings have the same mark: give one of them another name")
    return {
        "t": found,
        "constants": constants,
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
        "conditions": conditions,
        "wide": len(wide),
        "narrow": len(found.settings) - len(wide),
        "first_saved": sum(not row.saved for row in wide),
        "saved_place": 4 * sum(not row.saved for row in wide),
        "saved_bytes": sum(4 if row.wide else 2 for row in found.settings if row.saved),
        "saved_marks": [
            *((row.name, mark[row.name]) for row in found.settings if row.saved),
            ("saves", saves_mark(vow)),
        ],
        # The guard and the notices are the last two.
        "default_bytes": 4 * len(wide) + 2 * (len(found.settings) - len(wide) - 2),
        "size_type": "uint8_t" if longest < 250 else "uint16_t",
        "state_type": _unsigned((1 << len(vow.states)) - 1),
        "states_bytes": (len(vow.states) + 7) // 8 if len(vow.states) <= 16 else 4,
        "shift_type": "unsigned int" if len(vow.states) <= 16 else "uint32_t",
        "value_type": value_type,
        "after_type": _unsigned(max([0xFFFF] + [rule.after_ms + 2 for rule in rules])),
        "idle_type": _unsigned(max(0xFFFF, idle_ms)),
        "ticket_type": _unsigned(max([0xFFFF] + [good_ms + 1 for good_ms in found.tickets_ms])),
        "set_type": _unsigned(max((word_places[number] for number, _ in found.sets), default=0)),
        # Room for the last field to end in.
        "place_in_record": _unsigned(max([row.bytes + 4 for row in found.records], default=0)),
        "depth": max((program.depth for program in found.programs), default=0),
        "place_bytes": place_bytes,
        "program_places": places,
        "direct": direct,
        "program_ids": {NONE: NONE} | dict(enumerate(places if direct else range(len(places)))),
        "field_places": field_places,
        "sources": sources,
        "sets_from": len(found.quantities),
        "spelled": spell,
        "words": {what: word_places[number] for what, number in found.words.items()},
        "sets": [(word_places[number], count) for number, count in found.sets],
        "unit_places": unit_places,
        "groups": _groups(found),
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


def _condition(found: Tables, condition: Program, wide: bool) -> str:
    """The condition of a rule as C, computed in value_t, which is wider than readings if `wide`."""
    names = {row.constant: row for row in found.names}
    cast = "(value_t)" if wide else ""

    def read(name: str) -> str:
        row = names.get(name)
        if row is None:
            clock = name.removesuffix("_MS").lower()
            return f"milliseconds(&{clock}, {found.clocks[clock][0]})"
        if row.kind == "SETTING":
            setting = found.settings[row.index]
            return f"(value_t){setting.constant or f'{found.prefix}_settings.{setting.place}'}"
        if row.kind == "SIGNAL" and not row.is_choice:
            return f"reading({found.signals[row.index][0]}, {row.form})"
        return f"{cast}{found.prefix}_get({name})"

    return in_c(condition.code, read, lambda value: f"{cast}{_int32(value)}")


def _bytes(value: int, size: int) -> str:
    """A number as bytes, the low one first."""
    return ", ".join(map(str, value.to_bytes(size, "little")))


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


def _groups(found: Tables) -> list[tuple[int, list[tuple[int, ...]], Group]]:
    """For each group its size in bytes and the bytes of its words; one that is too long is several."""
    spell = found.spelling.spell
    rows: list[tuple[int, list[tuple[int, ...]], Group]] = []
    for group in found.groups:
        rests: list[str] = []
        for at, rest in enumerate(group.rests):
            rests.append(rest)
            words = [spell(word) for word in (group.word, *rests)]
            size = sum(map(len, words))
            if at + 1 == len(group.rests) or size + len(spell(group.rests[at + 1])) > 0xFF - 2:
                rows.append((size + 2, words, Group(group.word, tuple(rests))))
                rests = []
    return rows


def _sources(found: Tables, derived: int) -> dict[str, int]:
    """Where the numbers of each kind of source begin; the order is that in which the core asks for them.

    `derived` is how many numbers the programs of derived values take.
    """
    sizes = {
        "SETTING": len(found.settings),
        "SIGNAL": len(found.signals),
        **({"EXTREME": len(found.extremes)} if found.extremes else {}),
        "DERIVED": derived,
        "CLOCK": len(found.clocks),
        "COUNT": len(COUNTS),
        "BYTE": len(BYTES),
        "IDENTITY": 1,
        "LAST_TRIP": 1,
        **({"TEXT": len(found.texts)} if found.texts else {}),
        "RECORD": len(found.records),
        "ACTION": len(found.actions),
    }
    places = _places([range(size) for size in sizes.values()])
    if places[-1] + len(found.actions) > NONE or len(found.quantities) + len(found.sets) > NONE:
        raise GenerateError("the document has more points than the C core can number: leave some out")
    return dict(zip(sizes, places, strict=True))


def _comment(text: str) -> str:
    """Prose that cannot end the comment it stands in."""
    return " ".join(text.split()).replace("*/", "* /").replace("/*", "/ *").replace("??", "? ?")


def _string(text: str) -> str:
    """Printable ASCII as a string literal."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("??", "?\\?")
    return f'"{escaped}"'


def _int32(value: int) -> str:
    """A constant of 32 bits: the least has no literal of its own."""
    return "(-2147483647L - 1L)" if value == -(2**31) else f"{value}L"
