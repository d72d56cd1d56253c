"""Lines to messages and back: the grammar of `spec/wire.md`, and the check.

    request  = [tag SP] verb SP name *(SP argument) [SP check]
    reply    = [tag SP] ("ok" *(SP value) / "refuse" SP reason *(SP detail)) [SP check]
    notice   = "note" SP number SP event *(SP value) [SP check]

Values and details have the form of an argument; reasons and events are one word. This module knows
the form of lines only, never what a document gives a meaning. The messages are named tuples because
they are made once per line on the device's hot path.

The check is CRC-16/IBM-3740 (catalogue of parametrised CRC algorithms: width 16, polynomial 0x1021,
initial value 0xFFFF, not reflected, check value 0x29B1), which is `binascii.crc_hqx` from 0xFFFF.
"""

import re
from binascii import crc_hqx
from functools import lru_cache
from typing import Literal, NamedTuple

LAST_NOTICE = 65535
"""Notices are numbered 1 to 65535 and around (`wire.notice.number`)."""

REASONS = (
    "length", "syntax", "check", "unknown", "access", "type", "unit", "state", "range", "busy", "fault",
)  # fmt: skip
"""Why a request is refused, in the order that decides when several reasons apply (`wire.reasons`)."""

UNSAID = "unsaid"
"""What firmware with a syntax of its own has not told: a reason, or the value that a put has made."""

_CHECK_BYTES = len(" ~0000")
_LINES_KEPT = 512
_ANSWERS_KEPT = 16
"""Whoever judges an answer looks at it more than once; it seldom comes again."""

_TAG = r"(?:(@[0-9a-f]{1,4}) )?"
_WORD = r"[a-z][a-z0-9_]*"
# Printable ASCII but SP, not beginning with "~": 0x21-0x7E, and 0x21-0x7D at first. Every character
# that can end a repetition is outside it, so there is one way to match and no backtracking.
_ARGUMENTS = r"((?: [!-}][!-~]*)*)"
_CHECK = r"(?: ~([0-9A-F]{4}))?"

_REQUEST = re.compile(rf"{_TAG}(ask|put|act) ({_WORD}(?:\.{_WORD})*){_ARGUMENTS}{_CHECK}")
_REPLY = re.compile(rf"{_TAG}(?:ok|refuse ({_WORD})){_ARGUMENTS}{_CHECK}")
_NOTICE = re.compile(rf"note ([1-9][0-9]{{0,4}}) ({_WORD}){_ARGUMENTS}{_CHECK}")
_TAGGED = re.compile(r"(@[0-9a-f]{1,4}) ")


class Request(NamedTuple):
    """One understood request. `tag` keeps its "@"; `checked` means that a right check came with it."""

    tag: str | None
    verb: str
    name: str
    arguments: tuple[str, ...] = ()
    checked: bool = False

    def line(self) -> bytes:
        """The line without its LF; the check is appended when `checked`."""
        return _line(self.tag, f"{self.verb} {self.name}", self.arguments, self.checked)


class Reply(NamedTuple):
    """One reply: `words` are the values after "ok", or the reason and its details after "refuse"."""

    tag: str | None
    ok: bool
    words: tuple[str, ...] = ()
    checked: bool = False

    def line(self) -> bytes:
        """The line without its LF; the check is appended when `checked`."""
        tag, ok, words, checked = self
        return _line(tag, "ok" if ok else "refuse", words, checked)


class Notice(NamedTuple):
    """One notice: `number` 1 to 65535, the event's name, and its values."""

    number: int
    event: str
    words: tuple[str, ...] = ()
    checked: bool = False

    def line(self) -> bytes:
        """The line without its LF; the check is appended when `checked`."""
        return _line(None, f"note {self.number} {self.event}", self.words, self.checked)


class Malformed(NamedTuple):
    """No message: the grammar does not produce the line, or its check does not match.

    `tag` is the tag to answer with: that of a line beginning with a well-formed tag and SP if the
    reason is "syntax", none if it is "check" (a damaged line's tag may be the damage).
    """

    reason: Literal["syntax", "check"]
    tag: str | None = None


@lru_cache(_LINES_KEPT)
def parse_request(line: bytes) -> Request | Malformed:
    """The request in a line without its line end. Any bytes are allowed; none raises.

    A host that polls sends the same lines again and again: the last of them are kept with what they mean.
    """
    match = _REQUEST.fullmatch(line.decode("latin-1"))
    if match is None:
        return Malformed("syntax", _tag(line))
    tag, verb, name, arguments, check = match.groups()
    if check is not None and not _matches(line, check):
        return Malformed("check")
    return Request(tag, verb, name, tuple(arguments.split()), check is not None)


@lru_cache(_ANSWERS_KEPT)
def parse_answer(line: bytes) -> Reply | Notice | Malformed:
    """The reply or notice in a line without its line end. Any bytes are allowed; none raises."""
    text = line.decode("latin-1")
    match = _REPLY.fullmatch(text)
    if match is not None:
        tag, reason, arguments, check = match.groups()
        if check is not None and not _matches(line, check):
            return Malformed("check")
        words = tuple(arguments.split())
        if reason is None:
            return Reply(tag, True, words, check is not None)
        return Reply(tag, False, (reason, *words), check is not None)
    match = _NOTICE.fullmatch(text)
    if match is not None:
        number, event, arguments, check = match.groups()
        if int(number) <= LAST_NOTICE:
            if check is not None and not _matches(line, check):
                return Malformed("check")
            return Notice(int(number), event, tuple(arguments.split()), check is not None)
    return Malformed("syntax", _tag(line))


def check_of(body: bytes) -> str:
    """The four upper-case hex digits that protect `body`, all bytes before the check's SP."""
    return f"{crc_hqx(body, 0xFFFF):04X}"


def _matches(line: bytes, check: str) -> bool:
    return crc_hqx(line[:-_CHECK_BYTES], 0xFFFF) == int(check, 16)


def _tag(line: bytes) -> str | None:
    match = _TAGGED.match(line.decode("latin-1"))
    return None if match is None else match[1]


@lru_cache(_LINES_KEPT)
def _line(tag: str | None, head: str, words: tuple[str, ...], checked: bool) -> bytes:
    text = " ".join((head, *words)) if tag is None else " ".join((tag, head, *words))
    body = text.encode("ascii")
    return b"%b ~%04X" % (body, crc_hqx(body, 0xFFFF)) if checked else body
