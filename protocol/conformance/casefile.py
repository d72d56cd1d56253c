r"""Case files: one failure as text that a person can read, edit and replay on any port.

    # wirevow case 1
    document    tarn 1.0.0 d8f342ba
    requirement point.sink.level.bounds
    promise     `put sink.level` below 0.000 A or above ... is refused `range` with these limits.
    written     spec/tarn.yaml:129
    purpose     point.sink.level.bounds
    seed        7

    # The steps begin in the initial state with default settings.
      0.000000  > put sink.level 6.001 A
      0.000000  < ok 6.001 A

    expected    refuse range 0.000 6.000 A
    seen        ok 6.001 A

| step                  | meaning                                                            |
|-----------------------|--------------------------------------------------------------------|
| ``> TEXT``            | the host sends TEXT and LF                                         |
| ``>> TEXT``           | the host sends TEXT without LF                                     |
| ``< TEXT``            | a line that came; a replay judges anew what comes and skips these  |
| ``wait TIME``         | time passes                                                        |
| ``bench EVENT VALUE`` | something happens around the instrument                            |
| ``power cycle``       | its supply goes off and on                                         |
| ``store HEX``         | its supply goes off, its store holds this image, and it goes on    |
| ``reset``             | its reset pin is pulled                                            |

Numbers before a step are seconds since the first and only for reading. TEXT is printable ASCII with the
escapes ``\xHH``, ``\r``, ``\\``, ``\{``; ``{ticket}`` is the ticket given out last, ``{ticket-K}`` the one
K before it, and ``~{check}`` the right check of the line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from wirevow.protocol.conformance.session import Entry
from wirevow.protocol.document.model import duration_ns, duration_text
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import MOST_CASE_BYTES, decimal_of, file_content, unprintable
from wirevow.protocol.message import Malformed, Reply, check_of, parse_answer, parse_request
from wirevow.protocol.vow import Vow

HEAD = "# wirevow case 1"
NOTHING = "(nothing)"
"""What is written for an expectation that nothing comes."""
FIELDS = ("document", "requirement", "promise", "written", "purpose", "seed", "expected", "seen")


class CaseError(WirevowError):
    """A case file that cannot be read, or does not fit; the message begins with FILE:LINE."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step; `text` is what is sent or came, with placeholders, or the rest of the line."""

    kind: str
    """`>`, `>>`, `<`, `wait`, `bench`, `power`, `store` or `reset`."""
    text: str = ""
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """A failure and the way to it."""

    document: str
    requirement: str
    promise: str
    written: str
    purpose: str
    seed: int
    steps: tuple[Step, ...]
    expected: str
    seen: str

    @property
    def sends(self) -> int:
        """Lines the host sends."""
        return sum(step.kind in (">", ">>") for step in self.steps)

    @property
    def source(self) -> str:
        """The document's path, without the line; empty if it is not known."""
        path, colon, line = self.written.rpartition(":")
        return path if colon and line.isdecimal() else self.written

    def text(self) -> str:
        """The whole file."""
        head = [HEAD]
        for name in FIELDS[:6]:
            head.append(f"{name:<11} {getattr(self, name)}")
        lines = [*head, "", "# The steps begin in the initial state with default settings."]
        for step in self.steps:
            at = f"{step.at_s:12.6f}" if step.at_s is not None else " " * 12
            lines.append(f"{at}  {step.kind} {step.text}".rstrip())
        lines += ["", f"{'expected':<11} {self.expected or NOTHING}", f"{'seen':<11} {self.seen}"]
        return "\n".join(lines) + "\n"


# ------------------------------------------------------------------------------------------------- writing


def steps_of(entries: Sequence[Entry], vow: Vow) -> tuple[Step, ...]:
    """What a journal shows, with tickets as placeholders, because another run gives other ones."""
    givers = {name for name, action in vow.actions.items() if action.gives_ticket_ns is not None}
    tickets: list[str] = []
    asked: list[str] = []
    steps: list[Step] = []
    began_ns = entries[0].when_ns if entries else 0
    power_off = False
    for entry in entries:
        at_s = (entry.when_ns - began_ns) / 1e9
        match entry.kind:
            case "send":
                for piece in _pieces(entry.data):
                    body = piece.removesuffix(b"\n")
                    request = parse_request(body)
                    if not isinstance(request, Malformed):
                        asked.append(request.name)
                    elif piece.endswith(b"\n"):
                        asked.append("")
                    steps.append(Step(">" if piece.endswith(b"\n") else ">>", _written(body, tickets), at_s))
            case "line":
                parsed = parse_answer(entry.data)
                if isinstance(parsed, Reply):
                    name = asked.pop(0) if asked else ""
                    if (
                        parsed.ok
                        and name in givers
                        and len(parsed.words) == 1
                        and parsed.words[0] not in tickets[-1:]
                    ):
                        tickets.append(parsed.words[0])
                steps.append(Step("<", _escaped(entry.data), at_s))
            case "wait":
                if entry.ns:
                    steps.append(Step("wait", _duration(entry.ns), at_s))
            case "bench":
                value = "" if entry.value is None else f" {entry.value}"
                steps.append(Step("bench", f"{entry.name}{value}", at_s))
            case "power":
                if not power_off:
                    steps.append(Step("power", "cycle", at_s))
                power_off = not power_off
            case "store":
                steps[-1] = Step("store", str(entry.value), at_s)
            case "reset":
                steps.append(Step("reset", "", at_s))
    return tuple(steps)


def _duration(ns: int) -> str:
    """As `duration_ns` reads it, which takes nine digits before the point."""
    text = duration_text(ns)
    if len(text.partition(" ")[0]) <= 9:
        return text
    seconds, rest = divmod(ns, 10**9)
    return f"{seconds}.{rest:09d} s"


def _pieces(data: bytes) -> Iterable[bytes]:
    return data.splitlines(keepends=True) if b"\r" not in data else _by_lf(data)


def _by_lf(data: bytes) -> list[bytes]:
    parts = data.split(b"\n")
    pieces = [part + b"\n" for part in parts[:-1]]
    return [*pieces, parts[-1]] if parts[-1] else pieces


def _written(body: bytes, tickets: Sequence[str]) -> str:
    text = _escaped(body)
    request = parse_request(body)
    if isinstance(request, Malformed):
        return text
    for back, ticket in enumerate(reversed(tickets)):
        if ticket in request.arguments:
            slot = "{ticket}" if back == 0 else f"{{ticket-{back}}}"
            text = re.sub(rf"(?<= ){re.escape(ticket)}(?= |$)", slot, text)
            if request.checked:
                text = text[:-4] + "{check}"
            break
    return text


def _escaped(data: bytes) -> str:
    text = "".join(
        f"\\{chr(byte)}" if byte in b"\\{" else chr(byte) if 0x20 <= byte <= 0x7E else
        "\\r" if byte == 0x0D else f"\\x{byte:02x}"
        for byte in data
    )  # fmt: skip
    # A space at the end of a line is not seen, and editors take it away.
    return f"{text[:-1]}\\x20" if text.endswith(" ") else text


def write_case(case: Case, path: str | Path) -> None:
    """Write a case down. Raises CaseError."""
    try:
        Path(path).write_text(case.text(), encoding="utf-8")
    except OSError as wrong:
        raise CaseError(f"{path}: it cannot be written ({wrong.strerror}); name another file") from wrong


# ------------------------------------------------------------------------------------------------- reading

_STEP = re.compile(r"\s*(?:([0-9]{1,12}\.[0-9]{1,12})\s+)?(>>|>|<|wait|bench|power|store|reset)(?: (.*))?")
_PIECE = re.compile(r"\\x([0-9a-fA-F]{2})|\\([r\\{])|\{(ticket(?:-[0-9]{1,4})?|check)\}|([ -\[\]-z|}~])")


def read_case(path: str | Path) -> Case:
    """The case in a file. Raises CaseError with FILE:LINE."""
    try:
        text = file_content(Path(path), MOST_CASE_BYTES, "case file").decode("utf-8")
    except UnicodeDecodeError as wrong:
        raise CaseError(
            f"{path}: cannot be read as UTF-8 text; give a case file that a check has written"
        ) from wrong
    except ValueError as wrong:
        raise CaseError(f"{path}: cannot be read: {wrong}") from None
    return parse_case(text, str(path))


def parse_case(text: str, name: str) -> Case:
    """The case in a text; `name` stands for the file in errors."""
    for number, line in enumerate(text.split("\n"), start=1):
        strange = unprintable(line.removesuffix("\r"))
        if strange is not None:
            raise CaseError(
                f"{name}:{number}: {strange} is a control character, or changes the direction of text; "
                "a case file has none"
            )
    lines = text.splitlines()
    if not lines or lines[0].strip() != HEAD:
        raise CaseError(f"{name}:1: not a case file; its first line is `{HEAD}`")
    fields: dict[str, str] = {}
    steps: list[Step] = []
    for number, line in enumerate(lines[1:], start=2):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        word, _, rest = line.partition(" ")
        if word in FIELDS:
            fields[word] = rest.strip()
            continue
        found = _STEP.fullmatch(line)
        if found is None:
            raise CaseError(
                f"{name}:{number}: '{line.strip()[:40]}' is no step; "
                "write one of >, >>, <, wait, bench, power, store, reset"
            )
        at, kind, body = found.groups()
        step = Step(kind, body or "", float(at) if at is not None else None)
        _proven(step, f"{name}:{number}")
        steps.append(step)
    missing = [field for field in ("document", "requirement", "seed") if field not in fields]
    if missing:
        raise CaseError(
            f"{name}:1: the case does not say its {' and '.join(missing)}; "
            f"add a line such as `{missing[0]} ...`"
        )
    if re.fullmatch(r"-?[0-9]{1,18}", fields["seed"]) is None:
        raise CaseError(f"{name}:1: the seed is a whole number, not {fields['seed']!r}")
    return Case(
        document=fields["document"],
        requirement=fields["requirement"],
        promise=fields.get("promise", ""),
        written=fields.get("written", ""),
        purpose=fields.get("purpose", fields["requirement"]),
        seed=int(fields["seed"]),
        steps=tuple(steps),
        expected="" if fields.get("expected") == NOTHING else fields.get("expected", ""),
        seen=fields.get("seen", ""),
    )


def _proven(step: Step, place: str) -> None:
    if step.kind == "wait":
        try:
            duration_ns(step.text)
        except ValueError as wrong:
            raise CaseError(f"{place}: {wrong}") from None
    elif step.kind == "bench":
        found = re.fullmatch(r"[a-z][a-z0-9_.]*(?: (\S+))?", step.text)
        if found is None:
            raise CaseError(f"{place}: not a bench event; write `bench EVENT` or `bench EVENT VALUE`")
        try:
            if found[1] is not None and not re.match(r"[a-z]", found[1]):
                decimal_of(found[1])
        except ValueError as wrong:
            raise CaseError(f"{place}: {wrong}") from None
    elif step.kind == "power" and step.text != "cycle":
        raise CaseError(f"{place}: write `power cycle`")
    elif step.kind == "store":
        try:
            bytes.fromhex(step.text)
        except ValueError:
            raise CaseError(f"{place}: write two hex digits for each byte of the image") from None
    elif step.kind in (">", ">>"):
        try:
            sent(step, ("0000",))
        except ValueError as wrong:
            raise CaseError(f"{place}: {wrong}") from None


def sent(step: Step, tickets: Sequence[str]) -> bytes:
    """The bytes that a `>` or `>>` step sends, given the tickets so far. ValueError if it cannot be read."""
    body = b""
    position = 0
    while position < len(step.text):
        found = _PIECE.match(step.text, position)
        if found is None:
            raise ValueError(f"'{step.text[position:][:8]}' cannot be read; write printable ASCII, or \\xHH")
        code, escape, slot, plain = found.groups()
        if code is not None:
            body += bytes.fromhex(code)
        elif escape is not None:
            body += b"\r" if escape == "r" else escape.encode()
        elif slot == "check":
            body += check_of(body.removesuffix(b" ~")).encode()
        elif slot is not None:
            back = int(slot.partition("-")[2] or 0)
            body += (tickets[-1 - back] if back < len(tickets) else "0000").encode()
        else:
            body += plain.encode()
        position = found.end()
    return body + b"\n" if step.kind == ">" else body


def doings(steps: Sequence[Step]) -> tuple[Step, ...]:
    """The steps of the host and its hands: no lines that came, no times."""
    return tuple(replace(step, at_s=None) for step in steps if step.kind != "<")
