"""Which promise a wrong answer breaks, by the kind of the difference.

What was being tried says little about it: a notice that comes damaged is a fault of notices, whatever was
asked just then. The first row of `KINDS` that fits decides; where none does, the oracle's judgement stands,
or what was being tried (`Tester._bearing`).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Malformed, Reply, parse_answer, parse_request
from wirevow.protocol.vow import Vow

EVENT = re.compile(rb"(?:^|[0-9t] )(?:boot|trip|state|local|control) |^n?ote? |^no?te? |^not |note \d")
"""What is left of a notice that is damaged, or stands inside another line."""
WHOLE_EVENT = re.compile(rb"note \d+ (?:boot|trip|state|local|control) ")
"""A notice inside a line that still reads as a reply."""
ILL_FORMED = re.compile(r"-0(?:\.0*)?|[+-]?\.\d+|[+-]?\d+\.|\+.*|-?0\d.*")
"""Digits that are no NR1 or NR2 with a point, though they read like a number (`spec/wire.md`, numbers)."""
UNTAGGED = ("length", "check", "syntax")
"""Refusals that may carry no tag: a tag that misses is no fault of tags then."""


@dataclass(frozen=True, slots=True)
class Difference:
    """What was due and what came. `line` is the request, None for what came unasked."""

    line: bytes | Overlong | None
    due: str
    seen: bytes | None
    after_overlong: bool
    """The line before was too long."""

    @property
    def reply(self) -> Reply | None:
        """What came, if it is a reply."""
        parsed = parse_answer(self.seen) if self.seen is not None else None
        return parsed if isinstance(parsed, Reply) else None

    @property
    def reason(self) -> str:
        """Of the refusal that came; empty if none did."""
        reply = self.reply
        return reply.words[0] if reply is not None and not reply.ok and reply.words else ""


def _damaged_notice(d: Difference, vow: Vow) -> str | None:
    if d.seen is None or "notices" not in vow.parts:
        return None
    traces = WHOLE_EVENT if d.reply is not None else EVENT
    return "wire.notice.whole" if traces.search(d.seen) else None


def _no_message(d: Difference, vow: Vow) -> str | None:
    """Neither a reply nor a notice: a reply that is damaged, or text that nobody is to send."""
    parsed = parse_answer(d.seen) if d.seen is not None else None
    if d.seen is None or d.line is None or not isinstance(parsed, Malformed) or parsed.reason != "syntax":
        return None
    if re.search(rb"\bok\b|\brefuse\b", d.seen) or "quiet" not in vow.document.promises:
        return "wire.framing"
    return "promise.quiet"


def _too_long(d: Difference, vow: Vow) -> str | None:
    return "wire.length" if isinstance(d.line, Overlong) else None


def _deaf_after_overlong(d: Difference, vow: Vow) -> str | None:
    return "wire.resync" if d.after_overlong and d.line is not None and d.seen is None else None


def _tail_of_overlong(d: Difference, vow: Vow) -> str | None:
    return "wire.length" if d.line is None and (d.reason == "length" or d.after_overlong) else None


def _bad_check_accepted(d: Difference, vow: Vow) -> str | None:
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    if not isinstance(request, Malformed) or request.reason != "check" or d.reply is None:
        return None
    return "wire.check" if d.reason not in UNTAGGED else None


def _tag_left_out(d: Difference, vow: Vow) -> str | None:
    """A refusal without a tag where an answer with one was due."""
    reply = d.reply
    if reply is None or reply.tag is not None or not d.due.startswith("@") or d.reason not in UNTAGGED:
        return None
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    if d.reason == "check" and not isinstance(request, Malformed) and request is not None:
        return "wire.check" if request.checked else "wire.guard"
    return f"wire.{d.reason}" if f" {d.reason}" not in d.due else None


def _number_ill_formed(d: Difference, vow: Vow) -> str | None:
    request = parse_request(d.line) if isinstance(d.line, bytes) else None
    reply = d.reply
    if request is None or isinstance(request, Malformed) or reply is None or not reply.ok or not reply.words:
        return None
    entry = vow.points.get(request.name)
    if entry is None or entry.scale is None or not ILL_FORMED.fullmatch(reply.words[0]):
        return None
    return f"point.{entry.name}.unit"


KINDS: tuple[Callable[[Difference, Vow], str | None], ...] = (
    _damaged_notice,
    _no_message,
    _too_long,
    _deaf_after_overlong,
    _tail_of_overlong,
    _bad_check_accepted,
    _tag_left_out,
    _number_ill_formed,
)


def blamed(difference: Difference, vow: Vow) -> str | None:
    """The requirement that is broken, if the difference alone shows it."""
    return next((named for kind in KINDS if (named := kind(difference, vow)) is not None), None)


# ------------------------------------------------------------------------------------------- one cause

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_WORD = re.compile(r"[a-z_]+(?:\.[a-z_]+)+")


def shape(text: str) -> str:
    """What is the same in two failures of one cause: no tags, checks, names and numbers."""
    words = [word for word in text.split(" ") if word[:1] not in ("@", "~")]
    signs = [_WORD.sub("NAME", _NUMBER.sub(_sign, word)) for word in words]
    return " ".join(signs)


def _sign(found: re.Match[str]) -> str:
    return "-0" if ILL_FORMED.fullmatch(found.group()) else "N"
