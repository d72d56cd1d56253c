"""Generated cores under libFuzzer, and how much of them it reaches.

The inputs begin with the golden vectors, the mutations know the document's words, and whatever comes the
harness (`fuzz.c`) asserts what must always hold. As a program it goes on for as many inputs as asked, and
writes which lines and branches of the core have been run:

    python -m tests.codegen.fuzz spec/tarn.yaml --runs 1000000 --folder build/fuzz

Inputs that reached something new stay in the folder, and the next run begins with them. Needs clang with
its runtime and llvm's coverage tools: on Debian, clang, libclang-rt-dev and llvm.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.codegen.build import have, saves
from tests.codegen.differential import CAUSES, MS, Lines, calm_readings
from wirevow.protocol.codegen.c import generate, write
from wirevow.protocol.codegen.names import identifier
from wirevow.protocol.codegen.tables import MOST_TICK_MS, Tables, tables
from wirevow.protocol.document.load import load_document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vectors import Case, Power, Reset, Send, Slot, Wait, read_vectors
from wirevow.protocol.vow import Vow, compile_vow

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
TOOLS = ("clang", "llvm-profdata", "llvm-cov")
PACKAGES = "clang libclang-rt-dev llvm"
FREE, BY_TICKET = "FREE", "BY_TICKET"
LONGEST_INPUT = 1000


def missing() -> str | None:
    """What to install, if anything is missing."""
    return None if have(*TOOLS) else f"{' or '.join(TOOLS)} is not installed: apt-get install {PACKAGES}"


# ------------------------------------------------------------------------------------ what the document says


def header(vow: Vow) -> str:
    """The document's numbers for `fuzz.c`."""
    found = tables(vow)
    states = list(vow.states)
    entries = {row.name: vow.points[row.name] for row in found.names if row.name in vow.points}
    numbers = {row.name: index for index, row in enumerate(found.names)}
    values = []
    local = []
    for name, entry in entries.items():
        if entry.kind not in ("number", "choice"):
            continue
        low, high = (entry.number.low, entry.number.high) if entry.scale else (0, len(entry.choices) - 1)
        row = f"{{ {numbers[name]}, {low}, {high}, {int(entry.scale is None)} }},"
        values.append(row)
        if entry.local:
            local.append(row)
    readings = calm_readings(vow, random.Random(0))
    calm = [readings[name] for _, name in found.signals]
    series = [index for index, row in enumerate(found.records) if row.series]
    tickets_ms = max(found.tickets_ms, default=0) + 1
    return "\n".join(
        (
            "#include <stdbool.h>",
            "#include <stdint.h>",
            f"#define FUZZ_UPPER {found.prefix.upper()}",
            f"enum {{ FUZZ_STATES = {len(states)}, FUZZ_INITIAL = {states.index(vow.initial)} }};",
            f"#define FUZZ_SIGNALS {len(found.signals)}",
            f"#define FUZZ_TRIPS {len(found.trips)}",
            f"#define FUZZ_LOCAL {int('local' in vow.parts)}",
            f"#define FUZZ_CAPTURES {series[0] if series else -1}",
            f"enum {{ FUZZ_MOST_TICK = {MOST_TICK_MS}, FUZZ_TICKET_MS = {tickets_ms} }};",
            "struct fuzz_value { uint8_t name; int32_t low; int32_t high; bool choice; };",
            "static const struct fuzz_value FUZZ_VALUES[] = {",
            *values,
            "{ 0, 0, 0, false } };",
            "#if FUZZ_LOCAL",
            "static const struct fuzz_value FUZZ_LOCALS[] = {",
            *local,
            "{ 0, 0, 0, false } };",
            "#endif",
            "static const char *const FUZZ_GIVERS[] = {",
            *(f'"act {name}",' for name, action in vow.actions.items() if action.gives_ticket_ns is not None),
            '"" };',
            f"static const int32_t FUZZ_CALM[] = {{ {', '.join(map(str, calm)) or 0} }};",
            f"#define FUZZ_OUTPUTS {' '.join(_looks(found))}",
            f"enum {{ NO_WAY, {FREE}, {BY_TICKET} }};",
            "static const uint8_t FUZZ_WAYS[FUZZ_STATES][FUZZ_STATES] = {",
            *_ways(vow),
            "};",
            "",
        )
    )


def _looks(found: Tables) -> list[str]:
    """What is asked of each function that tells what a state drives."""
    levels = (
        (output, " || ".join(f"level == {constant}" for constant, _ in output.levels))
        for output in found.outputs
    )
    return [
        f"{{ uint8_t level = {found.prefix}_{output.name}(); MUST({known}); }}" for output, known in levels
    ]


def _ways(vow: Vow) -> list[str]:
    """From each state to each: not at all, only with a ticket, or freely."""
    ways: dict[tuple[str, str], str] = {(state, vow.initial): FREE for state in vow.states}
    for action in vow.actions.values():
        if action.takes_ticket is not None:
            ways |= {way: BY_TICKET for way in action.to.items() if way not in ways}
    for action in vow.actions.values():
        if action.takes_ticket is None:
            ways |= dict.fromkeys(action.to.items(), FREE)
    for trip in vow.trips.values():
        ways |= {(state, trip.to): FREE for state in vow.states}
    for state in vow.states.values():
        ways |= {(state.name, leave.to): FREE for leave in state.leaves}
    # Staying is entering anew, if an action does it.
    return [
        f"{{ {', '.join(ways.get((start, end), 'NO_WAY') for end in vow.states)} }}, /* {start} */"
        for start in vow.states
    ]


def dictionary(vow: Vow) -> str:
    """Words for libFuzzer to put in: the document's, the wire's, and what may happen."""
    words = {"ask ", "put ", "act ", "@1 ", "@beef ", " ~", "\n", "\r\n", "-", ".", "0", "9", "on", "off"}
    words |= {f" {name}" for name in (*vow.points, *vow.actions)}
    words |= {f" {word}" for entry in vow.points.values() for word in entry.choices}
    for entry in vow.points.values():
        if entry.scale is not None:
            words |= {f" {' '.join(entry.words(value))}" for value in (entry.number.low, entry.number.high)}
    happenings = [b"\0k\n", b"\0x\n", b"\0c", b"\0s", b"\0g", b"\0d", b"\0p\0", b"\0p\1"]
    happenings += [b"\0b" + bytes((cause,)) for cause in range(len(CAUSES))]
    happenings += [b"\0f" + bytes((trip,)) for trip in range(len(vow.trips))]
    happenings += [_passed(ms * MS) for ms in (1, 100, 1000, 5001, 30_000)]
    entries = [*sorted(word.encode() for word in words), *happenings]
    escaped = ("".join(f"\\x{byte:02X}" for byte in entry) for entry in entries)
    return "".join(f'"{entry}"\n' for entry in escaped)


def _passed(ns: int) -> bytes:
    """Time as `fuzz.c` reads it; a tick every so often, as protections are looked at in ticks only."""
    ms = min(ns // MS, 600_000)
    ticks = [1, 1, *(MOST_TICK_MS for _ in range(ms // MOST_TICK_MS)), ms % MOST_TICK_MS]
    return b"".join(b"\0t" + tick.to_bytes(2, "little") for tick in ticks)


def inputs(vow: Vow) -> dict[str, bytes]:
    """Name -> input to begin with: the golden vectors if they are this document's, and lines at random."""
    found = {}
    if vow.identity[0] == "tarn":
        for case in read_vectors(ROOT / "spec" / "vectors"):
            found[str(case.place).replace(":", "-")] = _input(case)
    chance = random.Random(1)
    lines = Lines(vow, tables(vow), chance)
    for at in range(40):
        found[f"lines-{at}"] = b"".join(_sent(lines.line() + b"\n") for _ in range(20))
    for at in range(40):
        found[f"scene-{at}"] = b"".join(_scene(vow, lines, chance) for _ in range(25))
    return found


def _scene(vow: Vow, lines: Lines, chance: random.Random) -> bytes:
    """Something that happens, at random."""
    reading = [entry for entry in vow.points.values() if entry.source == "signal"]
    local = [entry for entry in vow.points.values() if entry.local]
    kind = chance.random()
    if kind < 0.4:
        return _sent(lines.line() + b"\n")
    if kind < 0.5 and reading:
        at = chance.randrange(len(reading))
        return (
            b"\0r" + bytes((at,)) + _number(chance.randint(reading[at].number.low, reading[at].number.high))
        )
    if kind < 0.6 and local:
        value = chance.choice((0, 1, -1, 5, 1000, -1000, 10**6, -(10**6)))
        return b"\0p\1\0w" + bytes((chance.randrange(len(local)),)) + _number(value)
    if kind < 0.65 and vow.trips:
        return (
            b"\0s" + b"".join(b"\0f" + bytes((chance.randrange(len(vow.trips)),)) for _ in range(12)) + b"\0g"
        )
    if kind < 0.7 and lines.bulk:
        return b"\0d" + b"".join(
            b"ask %s %d\n" % (entry.name.encode(), chance.randrange(9)) for entry in lines.bulk
        )
    return chance.choice((b"\0c", b"\0p\0", b"\0b\3", _passed(MS), _passed(100 * MS), _passed(5001 * MS)))


def _sent(line: bytes) -> bytes:
    return line.replace(b"\0", b"\0" + b"0")


def _number(value: int) -> bytes:
    return value.to_bytes(4, "little", signed=True)


def _input(case: Case) -> bytes:
    data = b""
    for step in case.steps:
        match step:
            case Send(text=text):
                for part in text.parts:
                    if isinstance(part, bytes):
                        data += _sent(part)
                    elif isinstance(part, Slot) and part.name == "check":
                        # The harness writes the space and the mark too.
                        data = data.removesuffix(b" ~") + b"\0x"
                    else:
                        data += b"\0k"
            case Wait(ns=ns):
                data += _passed(ns)
            case Power(on=True):
                data += b"\0b\0"
            case Reset():
                data += b"\0b\1"
    return data


# ------------------------------------------------------------------------------------------------- the tools


class Fuzzer:
    """The core of a document with the harness, built in `folder` by clang."""

    def __init__(self, vow: Vow, folder: Path, slips: Mapping[str, str] | None = None) -> None:
        """`slips` are texts of the core to replace, to see that a wrong core is found out."""
        problem = missing()
        if problem is not None:
            raise WirevowError(problem)
        self.folder = folder
        self.corpus = folder / "corpus"
        prefix = identifier(vow.identity[0])
        files = generate(vow)
        for right, wrong in (slips or {}).items():
            files = {name: text.replace(right, wrong) for name, text in files.items()}
        write(files, folder)
        write({"fuzz_vow.h": header(vow), "words.dict": dictionary(vow)}, folder)
        self.corpus.mkdir(exist_ok=True)
        for name, data in inputs(vow).items():
            (self.corpus / name).write_bytes(data)
        self.core = folder / f"{prefix}_vow.c"
        self.program = folder / "fuzz"
        _run(
            "clang", "-std=c99", "-O1", "-g", "-fno-omit-frame-pointer",
            "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all",
            "-fprofile-instr-generate", "-fcoverage-mapping",
            f"-DVOW={prefix}", f"-DVOW_UPPER={prefix.upper()}", *saves(files),
            f'-DVOW_HEADER="{prefix}_vow.h"', '-DFUZZ_HEADER="fuzz_vow.h"',
            "-I", str(folder), str(self.core), str(HERE / "host.c"), str(HERE / "fuzz.c"),
            "-o", str(self.program),
        )  # fmt: skip

    def run(self, runs: int, seed: int) -> str | None:
        """So many inputs; None, or what libFuzzer said about one that broke the core."""
        done = subprocess.run(
            [str(self.program), f"-runs={runs}", f"-seed={seed}", f"-max_len={LONGEST_INPUT}", "-timeout=20",
             f"-dict={self.folder / 'words.dict'}", "-print_final_stats=1",
             f"-artifact_prefix={self.folder}/", str(self.corpus)],
            capture_output=True, text=True, errors="replace",
            env={**os.environ, "LLVM_PROFILE_FILE": str(self.folder / "fuzz.profraw")},
        )  # fmt: skip
        return None if done.returncode == 0 else done.stderr

    def coverage(self) -> Coverage:
        """What of the core the last run has reached; `coverage.txt` in the folder shows it line by line."""
        profile = self.folder / "fuzz.profdata"
        _run("llvm-profdata", "merge", str(self.folder / "fuzz.profraw"), "-o", str(profile))
        given = (str(self.program), f"-instr-profile={profile}")
        listing = _run("llvm-cov", "show", *given, "--show-branches=count", str(self.core))
        (self.folder / "coverage.txt").write_text(listing, encoding="utf-8")
        exported = json.loads(_run("llvm-cov", "export", "-summary-only", *given, str(self.core)))
        totals = exported["data"][0]["totals"]
        return Coverage(*((totals[kind]["covered"], totals[kind]["count"]) for kind in Coverage.KINDS))


@dataclass(frozen=True, slots=True)
class Coverage:
    """Reached and all, of the core's own file."""

    KINDS = ("functions", "lines", "branches")
    functions: tuple[int, int]
    lines: tuple[int, int]
    branches: tuple[int, int]

    def __str__(self) -> str:
        return ", ".join(
            f"{kind} {reached} of {whole} ({100 * reached / max(whole, 1):.1f} %)"
            for kind, (reached, whole) in zip(
                self.KINDS, (self.functions, self.lines, self.branches), strict=True
            )
        )


def _run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        raise WirevowError(f"{command[0]} failed:\n{done.stderr.strip()}")
    return done.stdout


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("documents", type=Path, nargs="+")
    parser.add_argument("--runs", type=int, default=100_000, help="So many inputs for each document.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=ROOT / "build" / "fuzz")
    given = parser.parse_args()
    status = 0
    try:
        for document in given.documents:
            folder = given.folder / document.stem
            folder.mkdir(parents=True, exist_ok=True)
            fuzzer = Fuzzer(compile_vow(load_document(document).document), folder)
            wrong = fuzzer.run(given.runs, given.seed)
            if wrong is None:
                print(f"{document.name}: {given.runs} inputs, nothing broken")
                print(f"  reached: {fuzzer.coverage()}")
                print(f"  line by line: {folder / 'coverage.txt'}", flush=True)
            else:
                print(f"{document.name}: broken, seed {given.seed}; the input is in {folder}\n{wrong}")
                status = 1
    except WirevowError as wrong:
        print(f"fuzz: {wrong}", file=sys.stderr)
        return 2
    return status


if __name__ == "__main__":
    sys.exit(main())
