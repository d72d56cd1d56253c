"""Hand-written exchanges with an instrument: reading them, and playing them on the virtual clock.

A file holds exchanges headed `# name`. Each line is one step:

    > TEXT               the line TEXT is sent; {1} is the first ticket given, {a*9} is nine a
    ~ TEXT               the same with its check
    : BYTES              the bytes are sent, written as in Python
    wait 20 ms           time passes
    bench EVENT [VALUE]  something happens on the bench
    power off, power on  the box's supply
    store HEX            its store holds this image, while the supply is off
    reset                the reset pin
    N * STEP             the step N times, or several steps with `; ` between them

Lines that begin with `;` are notes.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from wirevow.emu.instrument import Instrument
from wirevow.protocol.document.model import duration_ns
from wirevow.protocol.message import check_of

TICKET = re.compile(rb"^(?:@[0-9a-f]{1,4} )?ok ([0-9a-f]{4})(?: ~[0-9A-F]{4})?$", re.MULTILINE)


def read_exchanges(path: Path) -> dict[str, tuple[str, ...]]:
    """The steps of every exchange in a file, by name. ValueError for a name that is there twice."""
    found: dict[str, list[str]] = {}
    for line in path.read_text(encoding="ascii").splitlines():
        if line.startswith("# "):
            name = line.removeprefix("# ")
            if name in found:
                raise ValueError(f"{path.name} has {name} twice: remove one")
            steps = found[name] = []
        elif line and not line.startswith(";"):
            count, star, step = line.partition(" * ")
            steps += step.split("; ") * int(count) if star and count.isdecimal() else [line]
    return {name: tuple(steps) for name, steps in found.items()}


def lines_of(steps: tuple[str, ...]) -> int:
    """How many lines the host sends in an exchange."""
    return sum(_bytes(step[2:]).count(b"\n") if step.startswith(": ") else step[0] in ">~" for step in steps)


@cache
def by_hand() -> dict[str, int]:
    """How many lines show each fault of a Tarn, at the least."""
    found = read_exchanges(Path(__file__).with_name("exchanges.txt"))
    return {name: lines_of(steps) for name, steps in found.items()}


def successors(document: str) -> list[str]:
    """The mutants of a document that have taken the place of faults."""
    lines = Path(__file__).with_name("mutants.txt").read_text(encoding="ascii").splitlines()
    rows = [line.split() for line in lines if not line.startswith(";")]
    return [name for of, name in rows if of == document]


def _bytes(text: str) -> bytes:
    value = ast.literal_eval(f"b'{text}'")
    assert isinstance(value, bytes)
    return value


def play(instrument: Instrument, steps: tuple[str, ...]) -> Iterator[tuple[str, bytes]]:
    """Play an exchange: each step, and the bytes that came from the instrument before the next."""
    tickets: list[str] = []
    for step in steps:
        kind, _, rest = step.partition(" ")
        rest = re.sub(r"\{(.)\*(\d+)\}", lambda found: found[1] * int(found[2]), rest)
        now_ns = instrument.now_ns
        for index, ticket in enumerate(tickets, 1):
            rest = rest.replace(f"{{{index}}}", ticket)
        asked = kind in (">", "~") and re.match(r"(@[0-9a-f]+ )?act ", rest) is not None
        match kind:
            case ">":
                instrument.receive(rest.encode() + b"\n", now_ns)
            case "~":
                instrument.receive(f"{rest} ~{check_of(rest.encode())}\n".encode(), now_ns)
            case ":":
                instrument.receive(_bytes(rest), now_ns)
            case "wait":
                instrument.advance(now_ns + duration_ns(rest))
            case "bench":
                event, _, value = rest.partition(" ")
                instrument.bench(event, value or None, now_ns)
            case "power":
                instrument.power(rest == "on", now_ns)
            case "store":
                instrument.keep(bytes.fromhex(rest))
            case "reset":
                instrument.reset(now_ns)
            case _:
                raise ValueError(f"{step!r} is no step: see the head of this file")
        answer = instrument.take()
        if asked:
            tickets += [ticket.decode() for ticket in TICKET.findall(answer)]
        yield step, answer
