"""Faults of lines: where they end, how long they are, what is in them, and the tag they begin with."""

from __future__ import annotations

import re
from collections import deque

from wirevow.emu.faults.fault import Kind
from wirevow.protocol.device import Device
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.message import Malformed, Reply, Request
from wirevow.protocol.vow import Vow

lines = Kind("lines", seen=65)

_LF, _CR = b"\n\r"


class ByteFramer(Framer):
    """The same framing one byte at a time, as in a chip's receive interrupt; one method for each rule."""

    def __init__(self, limit: int, idle_ns: int | None) -> None:
        super().__init__(limit, idle_ns)
        self.buffer = bytearray()
        self.first_ns = 0

    def feed(self, data: bytes, now_ns: int) -> list[bytes | Overlong]:
        events: list[bytes | Overlong] = []
        for byte in data:
            if self._begun and self.idle_ns is not None and now_ns - self.heard_ns() > self.idle_ns:
                self.idle()
            self._last_ns = now_ns
            if self.ends(byte):
                self.end(events)
                continue
            if not self._begun:
                self.first_ns = now_ns
            self._begun = True
            if not self._stale:
                self.keep(byte, events)
        return events

    def reset(self) -> None:
        super().reset()
        self.buffer.clear()

    def heard_ns(self) -> int:
        """Since when it has been idle."""
        return self._last_ns

    def idle(self) -> None:
        """What becomes of a line that was begun too long ago."""
        self._stale = True
        self.buffer.clear()

    def ends(self, byte: int) -> bool:
        """Whether this byte ends a line."""
        return byte == _LF

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        """Take one more byte of the line."""
        if len(self.buffer) < self.limit + 2:
            self.buffer.append(byte)

    def end(self, events: list[bytes | Overlong]) -> None:
        """The line is complete."""
        stale, line = self._stale, self.stripped(bytes(self.buffer))
        self._begun = self._stale = False
        self.buffer.clear()
        if line and not stale:
            events.append(self.judged(line))

    def stripped(self, line: bytes) -> bytes:
        """The line without the rest of its line end."""
        return line[:-1] if line.endswith(b"\r") else line

    def judged(self, line: bytes) -> bytes | Overlong:
        """The line, or the news that it was too long."""
        return line if len(line) <= self.limit else self._overlong


# -------------------------------------------------------------------------------------------------- line ends


@lines.framer(
    "return-kept",
    "The carriage return before the line feed is kept as the last character of the line.",
    breaks="wire.framing",
    depth=1,
)
class ReturnKept(ByteFramer):
    def stripped(self, line: bytes) -> bytes:
        return line


@lines.framer(
    "returns-stripped",
    "Every carriage return before the line feed is thrown away, not one.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class ReturnsStripped(ByteFramer):
    def stripped(self, line: bytes) -> bytes:
        return line.rstrip(b"\r")


@lines.framer(
    "return-ends-line",
    "A carriage return alone ends a line as well.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class ReturnEndsLine(ByteFramer):
    def ends(self, byte: int) -> bool:
        return byte in (_LF, _CR)


@lines.framer(
    "blank-answered",
    "A blank line is passed to the parser like any other and refused.",
    breaks="wire.framing",
    depth=1,
)
class BlankAnswered(ByteFramer):
    def end(self, events: list[bytes | Overlong]) -> None:
        if not self._stale and not self.stripped(bytes(self.buffer)):
            events.append(b"")
        super().end(events)


# -------------------------------------------------------------------------------------------- length and idle


@lines.framer(
    "length-one-over",
    "The line buffer takes one character more than the limit: > where >= is meant.",
    breaks="wire.length",
    depth=1,
)
class LengthOneOver(ByteFramer):
    def judged(self, line: bytes) -> bytes | Overlong:
        return line if len(line) <= self.limit + 1 else self._overlong


@lines.framer(
    "length-one-under",
    "The last place of the line buffer is kept for a zero, so that a line of just the limit is too long.",
    breaks="wire.length",
    depth=1,
)
class LengthOneUnder(ByteFramer):
    def judged(self, line: bytes) -> bytes | Overlong:
        return line if len(line) < self.limit else self._overlong


@lines.framer(
    "length-counts-return",
    "The carriage return takes a place in the line buffer and counts towards the limit.",
    breaks="wire.length",
    depth=1,
)
class LengthCountsReturn(ByteFramer):
    def stripped(self, line: bytes) -> bytes:
        return line if len(line) > self.limit else super().stripped(line)


@lines.framer(
    "overlong-cut",
    "A line that is too long is cut at the limit and obeyed as far as it goes.",
    breaks="wire.length",
    depth=1,
)
class OverlongCut(ByteFramer):
    def judged(self, line: bytes) -> bytes | Overlong:
        return line[: self.limit]


@lines.framer(
    "overlong-tail-obeyed",
    "When the line buffer is full it is refused and emptied at once; what follows begins a new line.",
    breaks="wire.length",
    depth=1,
)
class OverlongTailObeyed(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if len(self.buffer) == self.limit and byte != _CR:
            events.append(self._overlong)
            self.buffer.clear()
        self.buffer.append(byte)


@lines.framer(
    "idle-tail-obeyed",
    "After the idle time the line buffer is emptied, and the rest of the broken line is taken for a line.",
    breaks="wire.idle",
    depth=1,
)
class IdleTailObeyed(ByteFramer):
    def idle(self) -> None:
        self.buffer.clear()


@lines.framer(
    "idle-never",
    "The idle timer is never started: a line begun an hour ago is completed by the next bytes.",
    breaks="wire.idle",
    depth=1,
)
class IdleNever(ByteFramer):
    def idle(self) -> None:
        pass


@lines.framer(
    "idle-from-first-byte",
    "The idle timer runs from the first byte of the line, not from the last.",
    breaks="wire.idle",
    depth=1,
)
class IdleFromFirstByte(ByteFramer):
    def heard_ns(self) -> int:
        return self.first_ns


@lines.device(
    "idle-same-when-guarded",
    "The idle time stays the one for typing when the guard comes on.",
    breaks="wire.idle",
    depth=2,
    applies=lambda vow: vow.document.wire.idle_checked != vow.document.wire.idle_typing,
)
class IdleSameWhenGuarded(Device):
    def _set_guard(self, on: bool) -> None:
        super()._set_guard(on)
        self._framer.idle_ns = self._wire.idle_typing


# -------------------------------------------------------------------------------------------- resynchronising


@lines.device(
    "resync-late-after-syntax",
    "After a line it does not understand it waits for one more line feed before it listens again.",
    breaks="wire.resync",
    depth=2,
)
class ResyncLateAfterSyntax(Device):
    lost = False

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if self.lost:
            self.lost = False
            return
        super().line(line, now_ns)

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        self.lost = isinstance(parsed, Malformed) and parsed.reason == "syntax"
        return parsed


@lines.device(
    "resync-late-after-overlong",
    "The line after one that was too long is swallowed with it.",
    breaks="wire.resync",
    depth=2,
)
class ResyncLateAfterOverlong(Device):
    lost = False

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if self.lost:
            self.lost = False
            return
        super().line(line, now_ns)
        self.lost = isinstance(line, Overlong)


@lines.framer(
    "noise-dropped-silently",
    "A line with a byte outside printable ASCII is dropped without an answer.",
    breaks="wire.syntax",
    depth=1,
)
class NoiseDroppedSilently(ByteFramer):
    def stripped(self, line: bytes) -> bytes:
        line = super().stripped(line)
        return line if all(0x20 <= byte <= 0x7E for byte in line) else b""


# ---------------------------------------------------------------------------------------------- what is in it


@lines.framer(
    "eighth-bit-ignored",
    "The eighth bit of every byte is masked off before it is looked at.",
    breaks="wire.syntax",
    depth=1,
)
class EighthBitIgnored(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        super().keep(byte & 0x7F, events)


@lines.framer(
    "zero-bytes-skipped",
    "Zero bytes are skipped wherever they stand, as fill characters.",
    breaks="wire.syntax",
    depth=1,
)
class ZeroBytesSkipped(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte:
            super().keep(byte, events)


@lines.framer(
    "backspace-obeyed",
    "A backspace takes back the character before it, as on a terminal.",
    breaks="wire.syntax",
    depth=1,
)
class BackspaceObeyed(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte == 0x08:
            del self.buffer[-1:]
        else:
            super().keep(byte, events)


@lines.device(
    "spaces-run-together",
    "Words may be separated by any number of spaces.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class SpacesRunTogether(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        return super()._parse(re.sub(rb" +", b" ", line))


@lines.device(
    "spaces-trimmed",
    "Spaces at the end of a line are cut off before it is read.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class SpacesTrimmed(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        return super()._parse(line.rstrip(b" "))


@lines.device(
    "case-ignored",
    "Verbs and names are taken in capitals too.",
    breaks="wire.syntax",
    depth=1,
)
class CaseIgnored(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed):
            words = line.split(b" ")
            head = 2 + line.startswith(b"@")
            return super()._parse(b" ".join([word.lower() for word in words[:head]] + words[head:]))
        return parsed


@lines.device(
    "verb-by-first-letter",
    "Only the first letter of the verb is looked at.",
    breaks="wire.syntax",
    depth=1,
)
class VerbByFirstLetter(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if parsed == Malformed("syntax"):
            return super()._parse(re.sub(rb"^a[a-z]* ", b"ask ", re.sub(rb"^p[a-z]* ", b"put ", line)))
        return parsed


@lines.device(
    "verb-unknown-is-unknown",
    "A verb that does not exist is refused `unknown`, like a name.",
    breaks="wire.syntax wire.reasons",
    depth=1,
)
class VerbUnknownIsUnknown(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = re.fullmatch(rb"(?:(@[0-9a-f]{1,4}) )?[a-z]+ [a-z.]+", line)
        if isinstance(parsed, Malformed) and found is not None:
            return Request(found[1].decode() if found[1] else None, "act", "no.such.name")
        return parsed


@lines.device(
    "name-compared-short",
    "Names are compared over the length of the one in the table, so that a longer one passes for it.",
    breaks="wire.reasons",
    depth=1,
)
class NameComparedShort(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed):
            return parsed
        table = self.vow.actions if parsed.verb == "act" else self.vow.points
        if parsed.name in table:
            return parsed
        meant = (name for name in table if parsed.name.startswith(name))
        return parsed._replace(name=next(meant, parsed.name))


# --------------------------------------------------------------------------------------------- tags and order


@lines.device(
    "tag-as-number",
    "The tag is kept as a number and printed without its leading zeros.",
    breaks="wire.tag",
    depth=1,
)
class TagAsNumber(Device):
    def _answer(self, reply: Reply) -> bytes:
        if reply.tag is not None:
            reply = reply._replace(tag=f"@{int(reply.tag[1:], 16):x}")
        return super()._answer(reply)


@lines.device(
    "tag-left-over",
    "The tag is not cleared: a request without one is answered with that of the request before.",
    breaks="wire.tag",
    depth=2,
)
class TagLeftOver(Device):
    tag: str | None = None

    def _answer(self, reply: Reply) -> bytes:
        self.tag = reply.tag or self.tag
        return super()._answer(reply._replace(tag=self.tag))


@lines.device(
    "tag-lost-when-refused",
    "A refusal is built from a fixed text that has no place for the tag.",
    breaks="wire.tag",
    depth=1,
)
class TagLostWhenRefused(Device):
    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply if reply.ok else reply._replace(tag=None))


@lines.device(
    "tag-on-damaged-line",
    "The refusal of a damaged line carries the line's tag, though the tag may be the damage.",
    breaks="wire.tag",
    depth=1,
)
class TagOnDamagedLine(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = re.match(rb"(@[0-9a-f]{1,4}) ", line)
        if parsed == Malformed("check") and found is not None:
            return Malformed("check", found[1].decode())
        return parsed


@lines.device(
    "tag-of-five-digits",
    "A tag may have any number of digits.",
    breaks="wire.syntax wire.tag",
    depth=1,
)
class TagOfFiveDigits(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        found = re.match(rb"(@[0-9a-f]{5,}) ", line)
        if found is None:
            return super()._parse(line)
        parsed = super()._parse(line[found.end() :])
        return parsed._replace(tag=found[1].decode()) if isinstance(parsed, Request) else parsed


@lines.device(
    "burst-backwards",
    "Lines that arrive together are put on a stack and taken from its top: the last is answered first.",
    breaks="wire.order",
    depth=2,
)
class BurstBackwards(Device):
    def receive(self, data: bytes, now_ns: int) -> None:
        if now_ns >= self._deaf_until_ns:
            for line in reversed(self._framer.feed(data, now_ns)):
                self.line(line, now_ns)


@lines.device(
    "burst-third-lost",
    "Only two requests find room to wait; the third of a burst is lost.",
    breaks="wire.order",
    depth=3,
    applies=lambda vow: vow.document.wire.pipeline >= 3,
)
class BurstThirdLost(Device):
    def receive(self, data: bytes, now_ns: int) -> None:
        if now_ns >= self._deaf_until_ns:
            for line in self._framer.feed(data, now_ns)[:2]:
                self.line(line, now_ns)


# ----------------------------------------------------------------------------------------------- second round


@lines.framer(
    "spaces-alone-are-blank",
    "A line of nothing but spaces passes for a blank one.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class SpacesAloneAreBlank(ByteFramer):
    def end(self, events: list[bytes | Overlong]) -> None:
        if not self.buffer.strip(b" "):
            self.buffer.clear()
        super().end(events)


@lines.framer(
    "comment-skipped",
    "A line that begins with a number sign is a comment, as in the script that once tested it.",
    breaks="wire.syntax",
    depth=1,
)
class CommentSkipped(ByteFramer):
    def end(self, events: list[bytes | Overlong]) -> None:
        if self.buffer.startswith(b"#"):
            self.buffer.clear()
        super().end(events)


@lines.framer(
    "tab-is-a-space",
    "A tab separates words as a space does.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class TabIsASpace(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        super().keep(0x20 if byte == 0x09 else byte, events)


@lines.framer(
    "length-in-a-byte",
    "The count of a line's characters is one byte: after 256 of them the line begins afresh.",
    breaks="wire.length",
    depth=1,
)
class LengthInAByte(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if len(self.buffer) == 256:
            self.buffer.clear()
        self.buffer.append(byte)


@lines.framer(
    "overlong-refused-for-each-buffer",
    "A line that is too long is refused each time the buffer is full, not once.",
    breaks="wire.length",
    depth=1,
)
class OverlongRefusedForEachBuffer(ByteFramer):
    taken = 0

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        super().keep(byte, events)
        self.taken += 1
        if self.taken % (4 * self.limit) == 0:
            events.append(Overlong(self.limit))

    def end(self, events: list[bytes | Overlong]) -> None:
        self.taken = 0
        super().end(events)


@lines.device(
    "tag-cut-after-three",
    "The tag's buffer holds three digits and their sign; a fourth digit falls off.",
    breaks="wire.tag",
    depth=1,
)
class TagCutAfterThree(Device):
    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply if reply.tag is None else reply._replace(tag=reply.tag[:4]))


@lines.device(
    "idle-never-when-guarded",
    "With the guard on the idle timer is stopped, and nobody starts it again.",
    breaks="wire.idle",
    depth=2,
)
class IdleNeverWhenGuarded(Device):
    def _set_guard(self, on: bool) -> None:
        super()._set_guard(on)
        if on:
            self._framer.idle_ns = None


@lines.device(
    "name-with-point-behind",
    "A point behind a name is skipped: the loop over its words ends at the point.",
    breaks="wire.syntax wire.reasons",
    depth=1,
)
class NameWithPointBehind(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed) and line.endswith(b"."):
            return super()._parse(line[:-1])
        return parsed


@lines.framer(
    "idle-rest-refused",
    "What comes of a line after its idle time is refused, not discarded.",
    breaks="wire.idle",
    depth=1,
)
class IdleRestRefused(ByteFramer):
    def end(self, events: list[bytes | Overlong]) -> None:
        if self._stale:
            events.append(b"?")
        super().end(events)


# ------------------------------------------------------------------------------------------------ third round


@lines.device(
    "length-refusal-with-old-tag",
    "The refusal of a line that is too long carries the tag of the request before it.",
    breaks="wire.length wire.tag",
    depth=2,
)
class LengthRefusalWithOldTag(Device):
    last: str | None = None

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        self.last = parsed.tag
        return parsed

    def _refuse_overlong(self, line: Overlong) -> Reply:
        return super()._refuse_overlong(line)._replace(tag=self.last)


@lines.device(
    "name-compared-over-16",
    "Names are compared over their first 16 characters.",
    breaks="wire.reasons",
    depth=1,
    applies=lambda vow: any(len(name) > 16 for name in vow.points),
)
class NameComparedOver16(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed) or parsed.name in self.vow.points or len(parsed.name) <= 16:
            return parsed
        like = [name for name in self.vow.points if name[:16] == parsed.name[:16]]
        return parsed._replace(name=like[0]) if like else parsed


@lines.device(
    "four-arguments-at-most",
    "The table of words has places for four arguments; a line with more is refused `syntax`.",
    breaks="wire.syntax wire.reasons",
    depth=1,
)
class FourArgumentsAtMost(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Request) and len(parsed.arguments) > 4:
            return Malformed("syntax", parsed.tag)
        return parsed


@lines.framer(
    "return-before-line-skipped",
    "A carriage return at the beginning of a line is skipped, for hosts that send them the wrong way round.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class ReturnBeforeLineSkipped(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte != _CR or self.buffer:
            super().keep(byte, events)


# ----------------------------------------------------------------------------------------------- fourth round


@lines.framer(
    "quotes-stripped",
    "Quotation marks are thrown away, as the shell does.",
    breaks="wire.syntax",
    depth=1,
)
class QuotesStripped(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte != 0x22:
            super().keep(byte, events)


@lines.device(
    "tag-zero-is-none",
    "The tag is kept as a number, and zero means that there is none.",
    breaks="wire.tag",
    depth=1,
)
class TagZeroIsNone(Device):
    def _answer(self, reply: Reply) -> bytes:
        none = reply.tag is not None and not reply.tag.strip("@0")
        return super()._answer(reply._replace(tag=None) if none else reply)


# ------------------------------------------------------------------------------------------------ fifth round


@lines.device(
    "tag-in-capitals",
    "The digits of a tag are taken in capitals too: the library's test for hex digits is.",
    breaks="wire.syntax wire.tag",
    depth=1,
)
class TagInCapitals(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = re.match(rb"(@[0-9a-fA-F]{1,4}) ", line)
        if isinstance(parsed, Malformed) and found is not None:
            small = super()._parse(found[1].lower() + line[found.end() - 1 :])
            if isinstance(small, Request):
                return small._replace(tag=found[1].decode())
        return parsed


@lines.framer(
    "blank-with-return-answered",
    "Whether a line is blank is looked at before the carriage return is taken off: CR LF is refused.",
    breaks="wire.framing",
    depth=1,
)
class BlankWithReturnAnswered(ByteFramer):
    def end(self, events: list[bytes | Overlong]) -> None:
        if self.buffer == b"\r" and not self._stale:
            events.append(b"\r")
        super().end(events)


@lines.framer(
    "overlong-outlasts-idle",
    "A line that is already too long waits for its LF in a state of its own, where no idle timer runs.",
    breaks="wire.idle",
    depth=1,
)
class OverlongOutlastsIdle(ByteFramer):
    def idle(self) -> None:
        if len(self.buffer) <= self.limit:
            super().idle()


@lines.framer(
    "idle-time-comes-round",
    "The pause inside a line is a difference of two times in 16 bits of milliseconds.",
    breaks="wire.idle",
    depth=1,
)
class IdleTimeComesRound(ByteFramer):
    def feed(self, data: bytes, now_ns: int) -> list[bytes | Overlong]:
        if data and self._begun:
            self._last_ns = now_ns - (now_ns - self._last_ns) % 65_536_000_000
        return super().feed(data, now_ns)


@lines.device(
    "name-begins-with-anything",
    "One test does for every character of a name: it may begin with a digit or a low line.",
    breaks="wire.syntax",
    depth=1,
)
class NameBeginsWithAnything(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        loose = rb"(?:(@[0-9a-f]{1,4}) )?(ask|put|act) ([a-z0-9_]+(?:\.[a-z0-9_]+)*)((?: [!-}][!-~]*)*)"
        found = re.fullmatch(loose, line)
        if not isinstance(parsed, Malformed) or found is None:
            return parsed
        tag, verb, name, arguments = (None if each is None else each.decode() for each in found.groups())
        return Request(tag, str(verb), str(name), tuple(str(arguments).split()))


# ------------------------------------------------------------------------------------------------ sixth round


@lines.device(
    "semicolon-parts-requests",
    "A semicolon parts two requests in one line, as other instruments have it.",
    breaks="wire.syntax",
    depth=1,
)
class SemicolonPartsRequests(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        for part in [line] if isinstance(line, Overlong) else line.split(b";"):
            super().line(part, now_ns)


@lines.framer(
    "length-without-tag",
    "The tag is taken off as it comes and does not count towards the limit of the line.",
    breaks="wire.length",
    depth=1,
)
class LengthWithoutTag(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if len(self.buffer) < self.limit + len("@ffff ") + 2:
            self.buffer.append(byte)

    def judged(self, line: bytes) -> bytes | Overlong:
        tag = re.match(rb"@[0-9a-f]{1,4} ", line)
        return line if tag is not None and len(line) - tag.end() <= self.limit else super().judged(line)


@lines.device(
    "tilde-passes-for-argument",
    "Only what ends a line can be a check; any other word with a tilde passes for an argument.",
    breaks="wire.syntax",
    depth=1,
)
class TildePassesForArgument(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        loose = rb"(?:(@[0-9a-f]{1,4}) )?(ask|put|act) ([a-z][a-z0-9_]*(?:\.[a-z][a-z0-9_]*)*)((?: [!-~]+)+)"
        found = re.fullmatch(loose, line)
        if parsed != Malformed("syntax", parsed.tag) or found is None:
            return parsed
        tag, verb, name, arguments = (None if each is None else each.decode() for each in found.groups())
        return Request(tag, str(verb), str(name), tuple(str(arguments).split()))


@lines.framer(
    "idle-runs-after-blank-line",
    "A blank line leaves the idle timer running, and what comes after its time is discarded.",
    breaks="wire.idle wire.framing wire.resync",
    depth=2,
)
class IdleRunsAfterBlankLine(ByteFramer):
    def end(self, events: list[bytes | Overlong]) -> None:
        blank = not self.stripped(bytes(self.buffer)) and not self._stale
        super().end(events)
        self._begun = blank


@lines.device(
    "idle-short-after-guard",
    "The idle time stays the one for programs when the guard goes off.",
    breaks="wire.idle",
    depth=3,
)
class IdleShortAfterGuard(Device):
    def _set_guard(self, on: bool) -> None:
        before = self._framer.idle_ns
        super()._set_guard(on)
        if not on:
            self._framer.idle_ns = before


# ---------------------------------------------------------------------------------------------- seventh round


@lines.framer(
    "line-end-needs-a-place",
    "A line end wants a place in the buffer too: behind a line of just the limit it is swallowed.",
    breaks="wire.length wire.framing wire.resync wire.deadline",
    depth=1,
)
class LineEndNeedsAPlace(ByteFramer):
    def ends(self, byte: int) -> bool:
        # The first byte without a place marks the line as too long; from the second on line ends are seen.
        return super().ends(byte) and len(self.buffer) != self.limit


def _bursts(vow: Vow) -> bool:
    return vow.document.wire.pipeline > 1


@lines.device(
    "line-flag-not-a-count",
    "A flag, no count, says that lines are complete: the second of two that come together waits for a third.",
    breaks="wire.order wire.deadline",
    depth=2,
    applies=_bursts,
)
class LineFlagNotACount(Device):
    complete: deque[bytes | Overlong]

    def boot(self, cause: str, now_ns: int) -> None:
        self.complete = deque()
        super().boot(cause, now_ns)

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data, now_ns)
        if b"\n" in data and self.complete:
            super().line(self.complete.popleft(), now_ns)

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        self.complete.append(line)


@lines.device(
    "tag-of-last-in-a-burst",
    "The tag is taken off as the line comes in, and there is one place for it: of a burst the last counts.",
    breaks="wire.tag",
    depth=2,
    applies=_bursts,
)
class TagOfLastInABurst(Device):
    last: str | None = None

    def receive(self, data: bytes, now_ns: int) -> None:
        tags = re.findall(rb"(?m)^(@[0-9a-f]{1,4}) .*\n", data)
        self.last = tags[-1].decode() if tags else None
        super().receive(data, now_ns)

    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply if reply.tag is None else reply._replace(tag=self.last or reply.tag))


@lines.device(
    "tag-end-left-over",
    "A shorter tag is copied over a longer one without a zero behind it, and answered with the end of that.",
    breaks="wire.tag",
    depth=2,
)
class TagEndLeftOver(Device):
    tag = ""

    def boot(self, cause: str, now_ns: int) -> None:
        self.tag = ""
        super().boot(cause, now_ns)

    def _answer(self, reply: Reply) -> bytes:
        if reply.tag is not None:
            self.tag = reply.tag + self.tag[len(reply.tag) :]
            reply = reply._replace(tag=self.tag)
        return super()._answer(reply)


@lines.device(
    "input-flushed-after-wrong-check",
    "After a wrong check the receiver's ring is emptied, with whole lines that have come behind it.",
    breaks="wire.resync wire.order wire.deadline",
    depth=2,
    applies=_bursts,
)
class InputFlushedAfterWrongCheck(Device):
    flushed = False

    def receive(self, data: bytes, now_ns: int) -> None:
        self.flushed = False
        super().receive(data, now_ns)
        if self.flushed:
            self._framer.reset()

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if not self.flushed:
            super().line(line, now_ns)

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        self.flushed = parsed == Malformed("check")
        return parsed


@lines.framer(
    "resync-late-after-idle",
    "The line end of a line that was idle too long does not end the discarding; the next one does.",
    breaks="wire.resync wire.idle wire.deadline",
    depth=2,
)
class ResyncLateAfterIdle(ByteFramer):
    more = False

    def reset(self) -> None:
        super().reset()
        self.more = False

    def end(self, events: list[bytes | Overlong]) -> None:
        more = self._stale and not self.more
        super().end(events)
        self._stale = self.more = more


@lines.framer(
    "discard-ends-with-pause",
    "A second pause in a line that is being discarded ends the discarding: a pause always begins a line.",
    breaks="wire.idle wire.resync",
    depth=1,
)
class DiscardEndsWithPause(ByteFramer):
    def idle(self) -> None:
        again = self._stale
        super().idle()
        self._stale = not again


@lines.framer(
    "idle-not-behind-tag",
    "The idle timer begins with the verb: a tag alone is not yet a line.",
    breaks="wire.idle",
    depth=1,
)
class IdleNotBehindTag(ByteFramer):
    def idle(self) -> None:
        if re.fullmatch(rb"@[0-9a-f]{1,4} ?", self.buffer) is None:
            super().idle()


# ---------------------------------------------------------------------------------------------- eighth round


@lines.framer(
    "return-inside-skipped",
    "A carriage return is thrown away wherever it stands in a line, as terminal programs do.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class ReturnInsideSkipped(ByteFramer):
    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte != _CR:
            super().keep(byte, events)


@lines.framer(
    "idle-looked-at-with-line-end",
    "Whether a line was idle too long is looked at when its line end comes, by the pause just before that.",
    breaks="wire.idle",
    depth=1,
)
class IdleLookedAtWithLineEnd(ByteFramer):
    late = False

    def idle(self) -> None:
        self.late = True

    def ends(self, byte: int) -> bool:
        late, self.late = self.late, False
        if late and super().ends(byte):
            super().idle()
        return super().ends(byte)


@lines.framer(
    "overlong-flag-outlives-discard",
    "The flag of a line that is too long is taken back when that is refused: discarded, it leaves it behind.",
    breaks="wire.idle wire.length wire.resync",
    depth=2,
)
class OverlongFlagOutlivesDiscard(ByteFramer):
    over = False

    def reset(self) -> None:
        super().reset()
        self.over = False

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        super().keep(byte, events)
        self.over = self.over or len(self.buffer) > self.limit + 1

    def end(self, events: list[bytes | Overlong]) -> None:
        stale = self._stale
        super().end(events)
        self.over = self.over and stale

    def judged(self, line: bytes) -> bytes | Overlong:
        return self._overlong if self.over else super().judged(line)


@lines.device(
    "delete-taken-for-printable",
    "The last of the printable characters is taken to be 0x7F: <= where < is meant.",
    breaks="wire.framing wire.syntax",
    depth=1,
)
class DeleteTakenForPrintable(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        return parsed if isinstance(parsed, Request) else super()._parse(line.replace(b"\x7f", b"!"))


@lines.framer(
    "wide-character-swallows-line-end",
    "A byte that begins a character of two bytes takes the next one with it, be it the line end.",
    breaks="wire.resync wire.syntax wire.framing",
    depth=1,
)
class WideCharacterSwallowsLineEnd(ByteFramer):
    begun = False

    def reset(self) -> None:
        super().reset()
        self.begun = False

    def ends(self, byte: int) -> bool:
        begun, self.begun = self.begun, not self.begun and 0xC0 <= byte < 0xE0
        return not begun and super().ends(byte)
