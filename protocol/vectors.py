r"""Reader of golden vectors: exchanges written by hand in `spec/vectors/*.vec`.

A file is UTF-8 text. A line that begins with ``#``, and an empty one, is for people. The rest is *cases*,
each a ``rule`` line and the steps under it:

    rule wire.exact wire.reasons: An unchecked put carries the digits of the step.
    > put sink.level 2.500 A
    < ok 2.500 A

| step                 | meaning                                                                  |
|----------------------|--------------------------------------------------------------------------|
| ``> TEXT``           | the host sends TEXT and LF                                               |
| ``>> TEXT``          | the host sends TEXT and no LF                                            |
| ``< TEXT``           | the next line from the instrument is TEXT                                |
| ``wait TIME``        | time passes; lines that come meanwhile are expected by the steps after   |
| ``quiet TIME``       | time passes, and nothing comes in it                                     |
| ``bench EVENT [VALUE]`` | something happens around the instrument                               |
| ``power off|on``     | its supply goes off or on                                                |
| ``reset``            | its reset pin is pulled                                                  |
| ``store HEX``        | while the supply is off: its store holds this image; spaces are for people |

A case begins with an instrument that has just been switched on with nothing saved, on the document's base
bench, its boot notice (number 1) taken. Every line that comes is expected by a ``<``, in order; none is
left over at a ``quiet``, a ``power``, a ``reset`` or at the end.

TEXT is printable ASCII with the escapes ``\xHH``, ``\r``, ``\n``, ``\\``, ``\{``, ``\}``; a space at
either end is written ``\x20``. ``{any}`` stands for one word that is not fixed (expected lines only),
``{NAME}`` for one word that is bound where it is first expected and the same from then on, and ``~{check}``
for the right check of the line (where a check cannot be written out because a placeholder comes before it).
TIME is a number and ``us``, ``ms``, ``s`` or ``min``.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import MOST_CASE_BYTES, file_content
from wirevow.protocol.message import check_of

_RULE = re.compile(r"rule ((?:[a-z][a-z0-9_.]*)(?: [a-z][a-z0-9_.]*)*): (\S.*)")
_TIME = re.compile(r"([0-9]{1,9}) (us|ms|s|min)")
_NANOSECONDS = {"us": 10**3, "ms": 10**6, "s": 10**9, "min": 60 * 10**9}
_EVENT = re.compile(r"([a-z][a-z0-9_]*(?:\.[a-z][a-z0-9_]*)*)(?: ([!-~]+))?")
_SLOT_NAME = re.compile(r"[a-z][a-z0-9_]*")
_PIECE = re.compile(r"\\x([0-9A-Fa-f]{2})|\\([rn\\{}])|\{([^{}]*)\}|([ -\[\]-z|~])")
_ESCAPED = {"r": b"\r", "n": b"\n"}
_ANY = "any"
_CHECK = "check"


class VectorError(WirevowError):
    """A vector file that cannot be read; the message begins with FILE:LINE."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a step is written."""

    path: str
    line: int

    def __str__(self) -> str:
        return f"{self.path}:{self.line}"


@dataclass(frozen=True, slots=True)
class Slot:
    """A placeholder in a text: `any`, `check`, or a name that binds."""

    name: str


@dataclass(frozen=True, slots=True)
class Text:
    """Bytes with placeholders."""

    parts: tuple[bytes | Slot, ...]

    def fill(self, bound: Mapping[str, bytes]) -> bytes:
        """The bytes to send, with bound names and the check filled in."""
        line = b""
        for part in self.parts:
            if isinstance(part, bytes):
                line += part
            elif part.name == _CHECK:
                line += check_of(line.removesuffix(b" ~")).encode("ascii")
            else:
                line += bound[part.name]
        return line

    def match(self, line: bytes, bound: Mapping[str, bytes]) -> dict[str, bytes] | None:
        """What a received line binds (nothing: an empty dict), or None if it is not the expected one."""
        pattern = b""
        seen: set[str] = set()
        for part in self.parts:
            if isinstance(part, bytes):
                pattern += re.escape(part)
            elif part.name == _ANY:
                pattern += rb"[!-~]+"
            elif part.name == _CHECK:
                pattern += re.escape(check_of(line[: -len(" ~0000")]).encode("ascii"))
            elif part.name in bound:
                pattern += re.escape(bound[part.name])
            elif part.name in seen:
                pattern += b"(?P=" + part.name.encode("ascii") + b")"
            else:
                seen.add(part.name)
                pattern += b"(?P<" + part.name.encode("ascii") + rb">[!-~]+)"
        match = re.fullmatch(pattern, line)
        return None if match is None else match.groupdict()

    def __str__(self) -> str:
        return "".join(
            f"{{{part.name}}}" if isinstance(part, Slot) else _printable(part) for part in self.parts
        )


@dataclass(frozen=True, slots=True)
class Send:
    """The host sends these bytes; `text` includes the LF if there is one."""

    place: Place
    text: Text


@dataclass(frozen=True, slots=True)
class Expect:
    """The next line from the instrument, without its LF."""

    place: Place
    text: Text


@dataclass(frozen=True, slots=True)
class Wait:
    """Time passes, in nanoseconds; with `quiet`, nothing comes and nothing is left over."""

    place: Place
    ns: int
    quiet: bool


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench event happens."""

    place: Place
    event: str
    value: float | str | None


@dataclass(frozen=True, slots=True)
class Power:
    """The instrument's supply goes off or on."""

    place: Place
    on: bool


@dataclass(frozen=True, slots=True)
class Reset:
    """The instrument's reset pin is pulled."""

    place: Place


@dataclass(frozen=True, slots=True)
class Stored:
    """The instrument's store holds this image, and no other."""

    place: Place
    image: bytes


Step = Send | Expect | Wait | Bench | Power | Reset | Stored


@dataclass(frozen=True, slots=True)
class Case:
    """One exchange from power-on, with the rules that it shows."""

    place: Place
    rules: tuple[str, ...]
    title: str
    steps: tuple[Step, ...]


def read_vectors(folder: Path) -> tuple[Case, ...]:
    """The cases of every ``*.vec`` file in `folder`, by file name. Raises VectorError."""
    paths = sorted(folder.glob("*.vec"))
    if not paths:
        raise VectorError(f"{folder}: no vector files (*.vec) here; give the folder that holds them")
    return tuple(case for path in paths for case in read_vector_file(path))


def read_vector_file(path: Path) -> tuple[Case, ...]:
    """The cases of one file, in order. Raises VectorError with FILE:LINE, or with FILE if unreadable."""
    try:
        text = file_content(path, MOST_CASE_BYTES, "file of vectors").decode("utf-8")
    except UnicodeDecodeError as wrong:
        raise VectorError(f"{path}: cannot be read ({wrong}); give a UTF-8 text file") from wrong
    except ValueError as wrong:
        raise VectorError(f"{path}: cannot be read: {wrong}; give a UTF-8 text file") from None
    return tuple(parse_vectors(text.split("\n"), path.name))


def parse_vectors(lines: Iterable[str], name: str) -> Iterator[Case]:
    """The cases in `lines`; `name` stands for the file in places. Raises VectorError."""
    head: tuple[Place, tuple[str, ...], str] | None = None
    steps: list[Step] = []
    bound: set[str] = set()
    for number, line in enumerate(lines, start=1):
        place = Place(name, number)
        if not line or line.startswith("#"):
            continue
        if line.startswith("rule"):
            if head is not None:
                yield _case(head, steps)
            match = _RULE.fullmatch(line)
            if match is None:
                raise VectorError(f"{place}: not a rule line; write 'rule ID [ID…]: what it shows'")
            head = place, tuple(match[1].split()), match[2]
            steps = []
            bound = set()
        elif head is None:
            raise VectorError(f"{place}: a step before any rule; begin with a line 'rule ID: what it shows'")
        else:
            steps.append(_step(line, place, bound))
    if head is not None:
        yield _case(head, steps)


def _case(head: tuple[Place, tuple[str, ...], str], steps: list[Step]) -> Case:
    place, rules, title = head
    if not any(isinstance(step, Expect) or (isinstance(step, Wait) and step.quiet) for step in steps):
        raise VectorError(f"{place}: the case expects nothing; add a '<' or a 'quiet' step, or remove it")
    return Case(place, rules, title, tuple(steps))


def _step(line: str, place: Place, bound: set[str]) -> Step:
    word, _, rest = line.partition(" ")
    if word == ">":
        text = _text(rest, place, bound, sent=True)
        return Send(place, Text((*text.parts, b"\n")))
    if word == ">>":
        return Send(place, _text(rest, place, bound, sent=True))
    if word == "<":
        return Expect(place, _text(rest, place, bound, sent=False))
    if word in ("wait", "quiet"):
        match = _TIME.fullmatch(rest)
        if match is None:
            raise VectorError(f"{place}: '{rest}' is no time; write a whole number and us, ms, s or min")
        return Wait(place, int(match[1]) * _NANOSECONDS[match[2]], word == "quiet")
    if word == "bench":
        match = _EVENT.fullmatch(rest)
        if match is None:
            raise VectorError(f"{place}: not a bench event; write 'bench EVENT' or 'bench EVENT VALUE'")
        return Bench(place, match[1], _value(match[2]))
    if line in ("power off", "power on"):
        return Power(place, rest == "on")
    if line == "reset":
        return Reset(place)
    if word == "store":
        try:
            return Stored(place, bytes.fromhex(rest))
        except ValueError:
            raise VectorError(f"{place}: '{rest}' is no image; write two hex digits for each byte") from None
    raise VectorError(
        f"{place}: '{line}' is no step; write one of >, >>, <, wait, quiet, bench, power off, power on, "
        "reset, store"
    )


def _value(text: str | None) -> float | str | None:
    if text is None:
        return None
    try:
        return float(text)
    except ValueError:
        return text


def _text(text: str, place: Place, bound: set[str], *, sent: bool) -> Text:
    if text != text.strip():
        raise VectorError(f"{place}: a space at either end of a text is easily lost; write it \\x20")
    parts: list[bytes | Slot] = []
    literal = b""
    position = 0
    while position < len(text):
        match = _PIECE.match(text, position)
        if match is None:
            raise VectorError(
                f"{place}: '{text[position:][:8]}' cannot be read; a text is printable ASCII with "
                "\\xHH, \\r, \\n, \\\\, \\{, \\} and {NAME}"
            )
        code, escaped, slot, plain = match.groups()
        if code is not None:
            literal += bytes.fromhex(code)
        elif escaped is not None:
            literal += _ESCAPED.get(escaped, escaped.encode("ascii"))
        elif plain is not None:
            literal += plain.encode("ascii")
        else:
            _refuse_slot(slot, literal, match.end() == len(text), place, bound, sent=sent)
            if literal:
                parts.append(literal)
            parts.append(Slot(slot))
            literal = b""
        position = match.end()
    if literal:
        parts.append(literal)
    if not sent:
        if not parts:
            raise VectorError(f"{place}: an instrument sends no blank lines; write what is expected")
        bound.update(part.name for part in parts if isinstance(part, Slot))
    return Text(tuple(parts))


def _refuse_slot(name: str, before: bytes, last: bool, place: Place, bound: set[str], *, sent: bool) -> None:
    if not _SLOT_NAME.fullmatch(name):
        raise VectorError(f"{place}: '{{{name}}}' is no placeholder; a name is a lower-case word")
    if name == _CHECK:
        if not before.endswith(b" ~") or not last:
            raise VectorError(f"{place}: {{check}} ends a line; write it as the last word, '~{{check}}'")
    elif sent and name == _ANY:
        raise VectorError(f"{place}: {{any}} cannot be sent; write a value, or a name bound before")
    elif sent and name not in bound:
        raise VectorError(f"{place}: {{{name}}} is not bound yet; expect it in a '<' step before this one")


def _printable(data: bytes) -> str:
    shown = ""
    for byte in data:
        if byte in b"\\{}":
            shown += "\\" + chr(byte)
        else:
            shown += chr(byte) if 0x20 <= byte <= 0x7E else f"\\x{byte:02x}"
    return shown
