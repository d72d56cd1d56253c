"""Which lines and branches of firmware's C checks have reached, as a tracefile.

On the simulated chip the rig notes every instruction that is reached and the ways of every branch (a byte for
each word of the flash: `REACHED`, `PASSED`, `TAKEN`), and the line table of the ELF file (DWARF, read by
pyelftools) says whose they are. In this process gcc counts, and gcov tells.

The format of the tracefile is that of geninfo(1), section "Tracefile format"; gcov's JSON is that of gcov(1).
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wirevow.protocol.errors import WirevowError

REACHED, PASSED, TAKEN = 1, 2, 4
"""Of an instruction; of a branch or skip: it was not taken, it was."""
CORE = "core"
"""The generated core is said to be in this folder; `wirevow generate c DOC --out core` writes it."""
SYSTEM = "/usr/"
"""Libraries are not the firmware's."""
AROUND = ("emu/firmware/host/board.c", "emu/firmware/converters.c")
"""Nor is the world around it."""


@dataclass(slots=True)
class Coverage:
    """By file: how many checks have reached each line, and each way of each branch."""

    lines: dict[str, dict[str, int]] = field(default_factory=dict)
    branches: dict[str, dict[str, int | None]] = field(default_factory=dict)
    """`line,block,branch`; None: not even the branch was reached."""

    def add(self, other: Coverage) -> None:
        """Put together with what other checks have reached."""
        for mine, theirs in ((self.lines, other.lines), (self.branches, other.branches)):
            for file, counts in theirs.items():
                known: dict[str, Any] = mine.setdefault(file, {})
                for place, count in counts.items():
                    held = known.get(place)
                    known[place] = count if held is None else held + (count or 0)

    def tracefile(self) -> str:
        """As lcov reads it."""
        rows = []
        for file in sorted(self.lines):
            rows += ["TN:", f"SF:{file}"]
            ways = self.branches.get(file, {})
            for place, taken in sorted(ways.items(), key=lambda each: [int(n) for n in each[0].split(",")]):
                rows.append(f"BRDA:{place},{'-' if taken is None else taken}")
            lines = self.lines[file]
            rows += [f"BRF:{len(ways)}", f"BRH:{sum(bool(taken) for taken in ways.values())}"]
            rows += [
                f"DA:{line},{count}" for line, count in sorted(lines.items(), key=lambda each: int(each[0]))
            ]
            rows += [f"LF:{len(lines)}", f"LH:{sum(map(bool, lines.values()))}", "end_of_record"]
        return "".join(f"{row}\n" for row in rows)

    def reached(self) -> int:
        """How many lines and ways of branches have been."""
        return sum(bool(count) for part in (self.lines, self.branches) for count in _counts(part))

    def told(self) -> str:
        """The figures, in words."""
        lines, ways = _counts(self.lines), _counts(self.branches)
        return (
            f"{sum(map(bool, lines))} of {len(lines)} lines of its C reached, "
            f"{sum(map(bool, ways))} of {len(ways)} ways of its branches gone"
        )


def _counts(part: Mapping[str, Mapping[str, int | None]]) -> list[int | None]:
    return [count for counts in part.values() for count in counts.values()]


# ------------------------------------------------------------------------------------------------ on the chip


def covered_chip(elf: bytes, name: str, ways: bytes) -> Coverage:
    """Of a program on the chip. `ways`: a byte for each word of the flash. WirevowError: no lines in it."""
    found = Coverage()
    code, places = _program(elf, name)
    for start, end, file, line in places:
        lines, branches = found.lines.setdefault(file, {}), found.branches.setdefault(file, {})
        lines.setdefault(str(line), 0)
        at = start
        while at < end:
            opcode, seen = int.from_bytes(code[at : at + 2], "little"), ways[at // 2]
            if seen & REACHED:
                lines[str(line)] = 1
            if _is_branch(opcode):
                for branch, way in enumerate((PASSED, TAKEN)):
                    branches[f"{line},{at},{branch}"] = int(bool(seen & way)) if seen & REACHED else None
            at += 4 if _has_two_words(opcode) else 2
    return found


def _has_two_words(opcode: int) -> bool:
    """LDS and STS, JMP and CALL (AVR Instruction Set Manual, DS40002198)."""
    return opcode & 0xFC0F == 0x9000 or opcode & 0xFE0C == 0x940C


def _is_branch(opcode: int) -> bool:
    """A conditional branch, or a skip (the same)."""
    return (
        opcode & 0xF800 == 0xF000  # BRBS, BRBC
        or opcode & 0xFC00 == 0x1000  # CPSE
        or opcode & 0xFC08 == 0xFC00  # SBRC, SBRS
        or opcode & 0xFD00 == 0x9900  # SBIC, SBIS
    )


def _program(elf: bytes, name: str) -> tuple[bytes, list[tuple[int, int, str, int]]]:
    """Its code, and whose each stretch of it is: first address, the one after the last, file, line."""
    try:
        from elftools.elf.elffile import ELFFile
    except ModuleNotFoundError:
        raise WirevowError(
            "--coverage needs the package pyelftools: pip install 'wirevow[coverage]'"
        ) from None
    file = ELFFile(io.BytesIO(elf))
    text: Any = file.get_section_by_name(".text")
    code = bytes(text["sh_addr"]) + text.data()
    places = [*_stretches(file.get_dwarf_info(), len(code))] if file.has_dwarf_info() else []
    if not places:
        raise WirevowError(f"{name}: it does not say which lines it is made of: compile it with -gdwarf-4")
    return code, places


def _stretches(dwarf: Any, end: int) -> Iterator[tuple[int, int, str, int]]:
    for unit in dwarf.iter_CUs():
        program = dwarf.line_program_for_CU(unit)
        if program is None:
            continue
        directory = unit.get_top_DIE().attributes.get("DW_AT_comp_dir")
        here = "" if directory is None else directory.value.decode()
        last = None
        begun = 0
        for entry in program.get_entries():
            state = entry.state
            if state is None:
                continue
            if last is None:
                begun = state.address
            # What the linker has left out begins at 0, where the vectors are.
            elif begun and state.address > last.address and state.address <= end and last.line:
                file = _file(program, unit["version"], last.file, here)
                if not file.startswith(SYSTEM):
                    yield last.address, state.address, file, last.line
            last = None if state.end_sequence else state


def _file(program: Any, version: int, number: int, here: str) -> str:
    """Its path. Files and directories are counted from 1 up to DWARF 4 (6.2.4), from 0 since DWARF 5."""
    header = program.header
    files, directories = header["file_entry"], header["include_directory"]
    entry = files[number if version >= 5 else number - 1]
    at = entry.dir_index
    parts = [here]
    if version >= 5:
        parts.append(directories[at].decode())
    elif at:
        parts.append(directories[at - 1].decode())
    path = str(Path(*parts, entry.name.decode()))
    return path[path.index(f"{CORE}/") :] if f"/{CORE}/" in f"/{path}" and "wirevow-" in path else path


# ------------------------------------------------------------------------------------------ in this process


def covered_host(folder: Path) -> Coverage:
    """Of a library that was built in a folder with --coverage, and has written its counts. WirevowError."""
    if shutil.which("gcov") is None:
        raise WirevowError("gcov is not installed: apt-get install gcc")
    counts = sorted(str(path) for path in folder.glob("*.gcda"))
    done = subprocess.run(
        ["gcov", "--json-format", "--stdout", "--branch-probabilities", *counts],
        capture_output=True,
        text=True,
        cwd=folder,
    )
    if done.returncode:
        raise WirevowError(f"gcov cannot tell what was reached: {done.stderr.strip()}")
    found = Coverage()
    for row in filter(None, done.stdout.splitlines()):
        for file in json.loads(row)["files"]:
            name = file["file"].replace(str(folder), CORE)
            if not name.startswith(SYSTEM) and not name.endswith(AROUND):
                found.add(_counted(name, file["lines"]))
    return found


def _counted(name: str, told: list[Mapping[str, Any]]) -> Coverage:
    lines = {str(each["line_number"]): int(each["count"] > 0) for each in told}
    ways = {
        f"{each['line_number']},0,{number}": int(branch["count"] > 0) if each["count"] else None
        for each in told
        for number, branch in enumerate(each["branches"])
    }
    return Coverage({name: lines}, {name: ways})
