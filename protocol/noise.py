"""What noise can do to request lines: every small damage tried on every line, and what comes of it.

    python -m wirevow.protocol.noise spec/tarn.yaml spec/vectors

Damage is to the bytes of one line and its LF, as a bad contact or a lost interrupt does it: one character
lost, doubled, or changed to another printable one; one bit flipped; the LF lost, so that two lines join.
What the instrument makes of the damaged bytes is the framer's and `accepts`' affair; an outcome is

- *refused*: nothing is accepted;
- *same*: only the request that was meant is accepted;
- *other*: some request that was not meant is accepted.

The measured table is in `spec/wire.md`, "What noise can do".
"""

import sys
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from wirevow.protocol.device import Device, Store
from wirevow.protocol.document.load import load_document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.framing import Framer
from wirevow.protocol.message import Malformed, Reply, Request, parse_answer, parse_request
from wirevow.protocol.vectors import Case, Send, read_vectors
from wirevow.protocol.vow import PointEntry, Vow, compile_vow

Kind = Literal["lost", "doubled", "changed", "flipped", "joined"]
KINDS: tuple[Kind, ...] = ("lost", "doubled", "changed", "flipped", "joined")
Outcome = Literal["refused", "same", "other"]

Accepts = Callable[[bytes], Hashable | None]
"""What a line (without its line end) would be accepted as, apart from tag and check; None if refused."""


@dataclass(frozen=True, slots=True)
class Damage:
    """One damaged line and what it was taken for. `at` is the index of the damaged byte."""

    kind: Kind
    at: int
    line: bytes
    damaged: bytes
    outcome: Outcome


def damages(line: bytes) -> Iterator[tuple[Kind, int, bytes]]:
    """Every damage of one kind to one byte of `line` (without its LF), as kind, index and bytes.

    The bytes end with the LF, or with what became of it.
    """
    wire = line + b"\n"
    for at, byte in enumerate(line):
        before, after = wire[:at], wire[at + 1 :]
        yield "lost", at, before + after
        yield "doubled", at, before + bytes([byte, byte]) + after
        for other in range(0x20, 0x7F):
            if other != byte:
                yield "changed", at, before + bytes([other]) + after
    for at, byte in enumerate(wire):
        for bit in range(8):
            yield "flipped", at, wire[:at] + bytes([byte ^ 1 << bit]) + wire[at + 1 :]


def try_noise(lines: Sequence[bytes], accepts: Accepts, limit: int) -> Iterator[Damage]:
    """Try every damage on every line (each must be accepted undamaged) and, joined, on every two.

    `limit` is the longest line. Raises ValueError for a line that is not accepted.
    """
    meant: dict[bytes, Hashable] = {}
    for line in lines:
        meaning = accepts(line)
        if meaning is None:
            raise ValueError(f"{line!r} is refused as it is; give lines that are accepted")
        meant[line] = meaning
    for line, meaning in meant.items():
        for kind, at, damaged in damages(line):
            yield Damage(kind, at, line, damaged, _outcome(damaged, {meaning}, accepts, limit))
        for following, next_meaning in meant.items():
            damaged = line + following + b"\n"
            outcome = _outcome(damaged, {meaning, next_meaning}, accepts, limit)
            yield Damage("joined", len(line), line, damaged, outcome)


class Understanding:
    """What an instrument, its settings at their defaults, would take a line for: an `Accepts`.

    The worst state is assumed for each line: refusals that another state would not give count as accepted.
    Only `ticket` is good. With `guard`, the guard is on.
    """

    def __init__(self, vow: Vow, ticket: str, *, guard: bool) -> None:
        self._vow = vow
        self._ticket = ticket
        self._guard = guard
        self._device = Device(vow, _Still(), Store())
        self._restart()

    def __call__(self, line: bytes) -> Hashable | None:
        request = parse_request(line)
        if isinstance(request, Malformed):
            return None
        self._device.line(line, 0)
        reply = next(answer for answer in self._answers() if isinstance(answer, Reply))
        if reply.ok:
            self._restart()
        elif reply.words[0] not in ("state", "busy", "fault"):
            return None
        return self._meaning(request)

    def _meaning(self, request: Request) -> Hashable | None:
        action = self._vow.actions.get(request.name)
        if action is not None:
            good = action.takes_ticket is None or request.arguments == (self._ticket,)
            return (request.name, request.arguments) if good else None
        scale = self._vow.points[request.name].scale
        if request.verb == "ask" or scale is None:
            return request.verb, request.name, request.arguments
        parsed = scale.parse(request.arguments[0])
        # A put refused for the present state has not had its range tested yet.
        if parsed is None or not scale.low <= parsed[0] <= scale.high:
            return None
        return request.verb, request.name, parsed[0]

    def _restart(self) -> None:
        self._device.boot("power", 0)
        if self._guard:
            name = next(name for name, entry in self._vow.points.items() if entry.record is None)
            self._device.line(Request(None, "ask", name, (), True).line(), 0)
        self._device.take()

    def _answers(self) -> Iterator[object]:
        return (parse_answer(line) for line in self._device.take().split(b"\n"))


class _Still:
    """A world in which nothing happens and every reading is 0 (`wirevow.protocol.device.World`)."""

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        return 0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        pass

    def capture(self, record: str, now_ns: int) -> None:
        pass

    def booted(self) -> None:
        pass

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None:
        pass


def golden_requests(cases: Iterable[Case], ticket: str, accepts: Accepts) -> list[bytes]:
    """The request lines of the vectors that are accepted, each once, with `ticket` wherever one is named."""
    lines: dict[bytes, None] = {}
    for case in cases:
        for step in case.steps:
            if isinstance(step, Send):
                bound = dict.fromkeys(_names(step), ticket.encode("ascii"))
                for line in step.text.fill(bound).split(b"\n"):
                    if accepts(line.removesuffix(b"\r")) is not None:
                        lines[line.removesuffix(b"\r")] = None
    return list(lines)


def _names(step: Send) -> list[str]:
    return [part.name for part in step.text.parts if not isinstance(part, bytes)]


def _outcome(damaged: bytes, meant: set[Hashable], accepts: Accepts, limit: int) -> Outcome:
    # A flipped LF leaves a line open; the LF of whatever comes next would end it.
    events = Framer(limit, None).feed(damaged if damaged.endswith(b"\n") else damaged + b"\n", 0)
    accepted = {accepts(event) for event in events if isinstance(event, bytes)} - {None}
    if not accepted:
        return "refused"
    return "same" if accepted <= meant else "other"


def count(tried: Sequence[Damage]) -> dict[Kind, Counter[Outcome]]:
    """How often each outcome came, by kind of damage."""
    counts: dict[Kind, Counter[Outcome]] = {kind: Counter() for kind in KINDS}
    for damage in tried:
        counts[damage.kind][damage.outcome] += 1
    return counts


def table(columns: dict[str, Sequence[Damage]]) -> str:
    """A Markdown table of damages tried and taken for another request, by kind; one column a title."""
    rows = ["| damage |" + "".join(f" {title} |" for title in columns), "|---|" + "---:|" * len(columns)]
    counted = [count(tried) for tried in columns.values()]
    for kind in KINDS:
        cells = (f" {outcomes[kind]['other']} of {outcomes[kind].total()} |" for outcomes in counted)
        rows.append(f"| {kind} |" + "".join(cells))
    return "\n".join(rows)


def main(document: str, vectors: str) -> None:
    """Print the table for a document and a folder of vectors."""
    vow = compile_vow(load_document(document).document)
    ticket = "3fa1"
    free = Understanding(vow, ticket, guard=False)
    guarded = Understanding(vow, ticket, guard=True)
    lines = golden_requests(read_vectors(Path(vectors)), ticket, free)
    requests = [request for request in map(parse_request, lines) if isinstance(request, Request)]
    limit = vow.document.wire.line_limit
    unchecked = [request.line() for request in requests if not request.checked]
    checked = list(dict.fromkeys(request._replace(checked=True).line() for request in requests))
    print(f"{len(unchecked)} unchecked and {len(checked)} checked lines.\n")
    print(
        table(
            {
                "unchecked": list(try_noise(unchecked, free, limit)),
                "checked, guard off": list(try_noise(checked, free, limit)),
                "checked, guard on": list(try_noise(checked, guarded, limit)),
            }
        )
    )


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("usage: python -m wirevow.protocol.noise DOCUMENT FOLDER_OF_VECTORS")
    try:
        main(sys.argv[1], sys.argv[2])
    except WirevowError as wrong:
        sys.exit(f"wirevow: {wrong.message}")
