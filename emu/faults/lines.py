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


@lines.framer("wire.framing")
class ReturnKept(ByteFramer):
    """The carriage return before the line feed is kept as the last character of the line."""

    def stripped(self, line: bytes) -> bytes:
        return line


@lines.framer("wire.framing wire.syntax")
class ReturnsStripped(ByteFramer):
    """Every carriage return before the line feed is thrown away, not one."""

    def stripped(self, line: bytes) -> bytes:
        return line.rstrip(b"\r")


@lines.framer("wire.framing wire.syntax")
class ReturnEndsLine(ByteFramer):
    """A carriage return alone ends a line as well."""

    def ends(self, byte: int) -> bool:
        return byte in (_LF, _CR)


@lines.framer("wire.framing")
class BlankAnswered(ByteFramer):
    """A blank line is passed to the parser like any other and refused."""

    def end(self, events: list[bytes | Overlong]) -> None:
        if not self._stale and not self.stripped(bytes(self.buffer)):
            events.append(b"")
        super().end(events)


# -------------------------------------------------------------------------------------------- length and idle


@lines.framer("wire.length")
class LengthOneOver(ByteFramer):
    """The line buffer takes one character more than the limit: > where >= is meant."""

    def judged(self, line: bytes) -> bytes | Overlong:
        return line if len(line) <= self.limit + 1 else self._overlong


@lines.framer("wire.length")
class LengthOneUnder(ByteFramer):
    """The last place of the line buffer is kept for a zero, so that a line of just the limit is too long."""

    def judged(self, line: bytes) -> bytes | Overlong:
        return line if len(line) < self.limit else self._overlong


@lines.framer("wire.length")
class LengthCountsReturn(ByteFramer):
    """The carriage return takes a place in the line buffer and counts towards the limit."""

    def stripped(self, line: bytes) -> bytes:
        return line if len(line) > self.limit else super().stripped(line)


@lines.framer("wire.length")
class OverlongCut(ByteFramer):
    """A line that is too long is cut at the limit and obeyed as far as it goes."""

    def judged(self, line: bytes) -> bytes | Overlong:
        return line[: self.limit]


@lines.framer("wire.length")
class OverlongTailObeyed(ByteFramer):
    """When the line buffer is full it is refused and emptied at once; what follows begins a new line."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if len(self.buffer) == self.limit and byte != _CR:
            events.append(self._overlong)
            self.buffer.clear()
        self.buffer.append(byte)


@lines.framer("wire.idle")
class IdleTailObeyed(ByteFramer):
    """After the idle time the line buffer is emptied, and the rest of the broken line is taken for a line."""

    def idle(self) -> None:
        self.buffer.clear()


@lines.framer("wire.idle")
class IdleNever(ByteFramer):
    """The idle timer is never started: a line begun an hour ago is completed by the next bytes."""

    def idle(self) -> None:
        pass


@lines.framer("wire.idle")
class IdleFromFirstByte(ByteFramer):
    """The idle timer runs from the first byte of the line, not from the last."""

    def heard_ns(self) -> int:
        return self.first_ns


@lines.device("wire.idle", lambda vow: vow.document.wire.idle_checked != vow.document.wire.idle_typing)
class IdleSameWhenGuarded(Device):
    """The idle time stays the one for typing when the guard comes on."""

    def _set_guard(self, on: bool) -> None:
        super()._set_guard(on)
        self._framer.idle_ns = self._wire.idle_typing


# -------------------------------------------------------------------------------------------- resynchronising


@lines.device("wire.resync")
class ResyncLateAfterSyntax(Device):
    """After a line it does not understand it waits for one more line feed before it listens again."""

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


@lines.device("wire.resync")
class ResyncLateAfterOverlong(Device):
    """The line after one that was too long is swallowed with it."""

    lost = False

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if self.lost:
            self.lost = False
            return
        super().line(line, now_ns)
        self.lost = isinstance(line, Overlong)


@lines.framer("wire.syntax")
class NoiseDroppedSilently(ByteFramer):
    """A line with a byte outside printable ASCII is dropped without an answer."""

    def stripped(self, line: bytes) -> bytes:
        line = super().stripped(line)
        return line if all(0x20 <= byte <= 0x7E for byte in line) else b""


# ---------------------------------------------------------------------------------------------- what is in it


@lines.framer("wire.syntax")
class EighthBitIgnored(ByteFramer):
    """The eighth bit of every byte is masked off before it is looked at."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        super().keep(byte & 0x7F, events)


@lines.framer("wire.syntax")
class ZeroBytesSkipped(ByteFramer):
    """Zero bytes are skipped wherever they stand, as fill characters."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte:
            super().keep(byte, events)


@lines.framer("wire.syntax")
class BackspaceObeyed(ByteFramer):
    """A backspace takes back the character before it, as on a terminal."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte == 0x08:
            del self.buffer[-1:]
        else:
            super().keep(byte, events)


@lines.device("wire.framing wire.syntax")
class SpacesRunTogether(Device):
    """Words may be separated by any number of spaces."""

    def _parse(self, line: bytes) -> Request | Malformed:
        return super()._parse(re.sub(rb" +", b" ", line))


@lines.device("wire.framing wire.syntax")
class SpacesTrimmed(Device):
    """Spaces at the end of a line are cut off before it is read."""

    def _parse(self, line: bytes) -> Request | Malformed:
        return super()._parse(line.rstrip(b" "))


@lines.device("wire.syntax")
class CaseIgnored(Device):
    """Verbs and names are taken in capitals too."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed):
            words = line.split(b" ")
            head = 2 + line.startswith(b"@")
            return super()._parse(b" ".join([word.lower() for word in words[:head]] + words[head:]))
        return parsed


@lines.device("wire.syntax")
class VerbByFirstLetter(Device):
    """Only the first letter of the verb is looked at."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if parsed == Malformed("syntax"):
            return super()._parse(re.sub(rb"^a[a-z]* ", b"ask ", re.sub(rb"^p[a-z]* ", b"put ", line)))
        return parsed


@lines.device("wire.syntax wire.reasons")
class VerbUnknownIsUnknown(Device):
    """A verb that does not exist is refused `unknown`, like a name."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = re.fullmatch(rb"(?:(@[0-9a-f]{1,4}) )?[a-z]+ [a-z.]+", line)
        if isinstance(parsed, Malformed) and found is not None:
            return Request(found[1].decode() if found[1] else None, "act", "no.such.name")
        return parsed


@lines.device("wire.reasons")
class NameComparedShort(Device):
    """Names are compared over the length of the one in the table, so that a longer one passes for it."""

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


@lines.device("wire.tag")
class TagAsNumber(Device):
    """The tag is kept as a number and printed without its leading zeros."""

    def _answer(self, reply: Reply) -> bytes:
        if reply.tag is not None:
            reply = reply._replace(tag=f"@{int(reply.tag[1:], 16):x}")
        return super()._answer(reply)


@lines.device("wire.tag")
class TagLeftOver(Device):
    """The tag is not cleared: a request without one is answered with that of the request before."""

    tag: str | None = None

    def _answer(self, reply: Reply) -> bytes:
        self.tag = reply.tag or self.tag
        return super()._answer(reply._replace(tag=self.tag))


@lines.device("wire.tag")
class TagLostWhenRefused(Device):
    """A refusal is built from a fixed text that has no place for the tag."""

    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply if reply.ok else reply._replace(tag=None))


@lines.device("wire.tag")
class TagOnDamagedLine(Device):
    """The refusal of a damaged line carries the line's tag, though the tag may be the damage."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = re.match(rb"(@[0-9a-f]{1,4}) ", line)
        if parsed == Malformed("check") and found is not None:
            return Malformed("check", found[1].decode())
        return parsed


@lines.device("wire.syntax wire.tag")
class TagOfFiveDigits(Device):
    """A tag may have any number of digits."""

    def _parse(self, line: bytes) -> Request | Malformed:
        found = re.match(rb"(@[0-9a-f]{5,}) ", line)
        if found is None:
            return super()._parse(line)
        parsed = super()._parse(line[found.end() :])
        return parsed._replace(tag=found[1].decode()) if isinstance(parsed, Request) else parsed


@lines.device("wire.order")
class BurstBackwards(Device):
    """Lines that arrive together are put on a stack and taken from its top: the last is answered first."""

    def receive(self, data: bytes, now_ns: int) -> None:
        if now_ns >= self._deaf_until_ns:
            for line in reversed(self._framer.feed(data, now_ns)):
                self.line(line, now_ns)


@lines.device("wire.order", lambda vow: vow.document.wire.pipeline >= 3)
class BurstThirdLost(Device):
    """Only two requests find room to wait; the third of a burst is lost."""

    def receive(self, data: bytes, now_ns: int) -> None:
        if now_ns >= self._deaf_until_ns:
            for line in self._framer.feed(data, now_ns)[:2]:
                self.line(line, now_ns)


# ----------------------------------------------------------------------------------------------- second round


@lines.framer("wire.framing wire.syntax")
class SpacesAloneAreBlank(ByteFramer):
    """A line of nothing but spaces passes for a blank one."""

    def end(self, events: list[bytes | Overlong]) -> None:
        if not self.buffer.strip(b" "):
            self.buffer.clear()
        super().end(events)


@lines.framer("wire.syntax")
class CommentSkipped(ByteFramer):
    """A line that begins with a number sign is a comment, as in the script that once tested it."""

    def end(self, events: list[bytes | Overlong]) -> None:
        if self.buffer.startswith(b"#"):
            self.buffer.clear()
        super().end(events)


@lines.framer("wire.framing wire.syntax")
class TabIsASpace(ByteFramer):
    """A tab separates words as a space does."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        super().keep(0x20 if byte == 0x09 else byte, events)


@lines.framer("wire.length")
class LengthInAByte(ByteFramer):
    """The count of a line's characters is one byte: after 256 of them the line begins afresh."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if len(self.buffer) == 256:
            self.buffer.clear()
        self.buffer.append(byte)


@lines.framer("wire.length")
class OverlongRefusedForEachBuffer(ByteFramer):
    """A line that is too long is refused each time the buffer is full, not once."""

    taken = 0

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        super().keep(byte, events)
        self.taken += 1
        if self.taken % (4 * self.limit) == 0:
            events.append(Overlong(self.limit))

    def end(self, events: list[bytes | Overlong]) -> None:
        self.taken = 0
        super().end(events)


@lines.device("wire.tag")
class TagCutAfterThree(Device):
    """The tag's buffer holds three digits and their sign; a fourth digit falls off."""

    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply if reply.tag is None else reply._replace(tag=reply.tag[:4]))


@lines.device("wire.idle")
class IdleNeverWhenGuarded(Device):
    """With the guard on the idle timer is stopped, and nobody starts it again."""

    def _set_guard(self, on: bool) -> None:
        super()._set_guard(on)
        if on:
            self._framer.idle_ns = None


@lines.device("wire.syntax wire.reasons")
class NameWithPointBehind(Device):
    """A point behind a name is skipped: the loop over its words ends at the point."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed) and line.endswith(b"."):
            return super()._parse(line[:-1])
        return parsed


@lines.framer("wire.idle")
class IdleRestRefused(ByteFramer):
    """What comes of a line after its idle time is refused, not discarded."""

    def end(self, events: list[bytes | Overlong]) -> None:
        if self._stale:
            events.append(b"?")
        super().end(events)


# ------------------------------------------------------------------------------------------------ third round


@lines.device("wire.length wire.tag")
class LengthRefusalWithOldTag(Device):
    """The refusal of a line that is too long carries the tag of the request before it."""

    last: str | None = None

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        self.last = parsed.tag
        return parsed

    def _refuse_overlong(self, line: Overlong) -> Reply:
        return super()._refuse_overlong(line)._replace(tag=self.last)


@lines.device("wire.reasons", lambda vow: any(len(name) > 16 for name in vow.points))
class NameComparedOver16(Device):
    """Names are compared over their first 16 characters."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed) or parsed.name in self.vow.points or len(parsed.name) <= 16:
            return parsed
        like = [name for name in self.vow.points if name[:16] == parsed.name[:16]]
        return parsed._replace(name=like[0]) if like else parsed


@lines.device("wire.syntax wire.reasons")
class FourArgumentsAtMost(Device):
    """The table of words has places for four arguments; a line with more is refused `syntax`."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Request) and len(parsed.arguments) > 4:
            return Malformed("syntax", parsed.tag)
        return parsed


@lines.framer("wire.framing wire.syntax")
class ReturnBeforeLineSkipped(ByteFramer):
    """A carriage return at the beginning of a line is skipped, for hosts that send them the wrong way
    round."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte != _CR or self.buffer:
            super().keep(byte, events)


# ----------------------------------------------------------------------------------------------- fourth round


@lines.framer("wire.syntax")
class QuotesStripped(ByteFramer):
    """Quotation marks are thrown away, as the shell does."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte != 0x22:
            super().keep(byte, events)


@lines.device("wire.tag")
class TagZeroIsNone(Device):
    """The tag is kept as a number, and zero means that there is none."""

    def _answer(self, reply: Reply) -> bytes:
        none = reply.tag is not None and not reply.tag.strip("@0")
        return super()._answer(reply._replace(tag=None) if none else reply)


# ------------------------------------------------------------------------------------------------ fifth round


@lines.device("wire.syntax wire.tag")
class TagInCapitals(Device):
    """The digits of a tag are taken in capitals too: the library's test for hex digits is."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = re.match(rb"(@[0-9a-fA-F]{1,4}) ", line)
        if isinstance(parsed, Malformed) and found is not None:
            small = super()._parse(found[1].lower() + line[found.end() - 1 :])
            if isinstance(small, Request):
                return small._replace(tag=found[1].decode())
        return parsed


@lines.framer("wire.framing")
class BlankWithReturnAnswered(ByteFramer):
    """Whether a line is blank is looked at before the carriage return is taken off: CR LF is refused."""

    def end(self, events: list[bytes | Overlong]) -> None:
        if self.buffer == b"\r" and not self._stale:
            events.append(b"\r")
        super().end(events)


@lines.framer("wire.idle")
class OverlongOutlastsIdle(ByteFramer):
    """A line that is already too long waits for its LF in a state of its own, where no idle timer runs."""

    def idle(self) -> None:
        if len(self.buffer) <= self.limit:
            super().idle()


@lines.framer("wire.idle")
class IdleTimeComesRound(ByteFramer):
    """The pause inside a line is a difference of two times in 16 bits of milliseconds."""

    def feed(self, data: bytes, now_ns: int) -> list[bytes | Overlong]:
        if data and self._begun:
            self._last_ns = now_ns - (now_ns - self._last_ns) % 65_536_000_000
        return super().feed(data, now_ns)


@lines.device("wire.syntax")
class NameBeginsWithAnything(Device):
    """One test does for every character of a name: it may begin with a digit or a low line."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        loose = rb"(?:(@[0-9a-f]{1,4}) )?(ask|put|act) ([a-z0-9_]+(?:\.[a-z0-9_]+)*)((?: [!-}][!-~]*)*)"
        found = re.fullmatch(loose, line)
        if not isinstance(parsed, Malformed) or found is None:
            return parsed
        tag, verb, name, arguments = (None if each is None else each.decode() for each in found.groups())
        return Request(tag, str(verb), str(name), tuple(str(arguments).split()))


# ------------------------------------------------------------------------------------------------ sixth round


@lines.device("wire.syntax")
class SemicolonPartsRequests(Device):
    """A semicolon parts two requests in one line, as other instruments have it."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        for part in [line] if isinstance(line, Overlong) else line.split(b";"):
            super().line(part, now_ns)


@lines.framer("wire.length")
class LengthWithoutTag(ByteFramer):
    """The tag is taken off as it comes and does not count towards the limit of the line."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if len(self.buffer) < self.limit + len("@ffff ") + 2:
            self.buffer.append(byte)

    def judged(self, line: bytes) -> bytes | Overlong:
        tag = re.match(rb"@[0-9a-f]{1,4} ", line)
        return line if tag is not None and len(line) - tag.end() <= self.limit else super().judged(line)


@lines.device("wire.syntax")
class TildePassesForArgument(Device):
    """Only what ends a line can be a check; any other word with a tilde passes for an argument."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        loose = rb"(?:(@[0-9a-f]{1,4}) )?(ask|put|act) ([a-z][a-z0-9_]*(?:\.[a-z][a-z0-9_]*)*)((?: [!-~]+)+)"
        found = re.fullmatch(loose, line)
        if parsed != Malformed("syntax", parsed.tag) or found is None:
            return parsed
        tag, verb, name, arguments = (None if each is None else each.decode() for each in found.groups())
        return Request(tag, str(verb), str(name), tuple(str(arguments).split()))


@lines.framer("wire.idle wire.framing wire.resync")
class IdleRunsAfterBlankLine(ByteFramer):
    """A blank line leaves the idle timer running, and what comes after its time is discarded."""

    def end(self, events: list[bytes | Overlong]) -> None:
        blank = not self.stripped(bytes(self.buffer)) and not self._stale
        super().end(events)
        self._begun = blank


@lines.device("wire.idle")
class IdleShortAfterGuard(Device):
    """The idle time stays the one for programs when the guard goes off."""

    def _set_guard(self, on: bool) -> None:
        before = self._framer.idle_ns
        super()._set_guard(on)
        if not on:
            self._framer.idle_ns = before


# ---------------------------------------------------------------------------------------------- seventh round


@lines.framer("wire.length wire.framing wire.resync wire.deadline")
class LineEndNeedsAPlace(ByteFramer):
    """A line end wants a place in the buffer too: behind a line of just the limit it is swallowed."""

    def ends(self, byte: int) -> bool:
        # The first byte without a place marks the line as too long; from the second on line ends are seen.
        return super().ends(byte) and len(self.buffer) != self.limit


def _bursts(vow: Vow) -> bool:
    return vow.document.wire.pipeline > 1


@lines.device("wire.order wire.deadline", _bursts)
class LineFlagNotACount(Device):
    """A flag, no count, says that lines are complete: the second of two that come together waits for a
    third."""

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


@lines.device("wire.tag", _bursts)
class TagOfLastInABurst(Device):
    """The tag is taken off as the line comes in, and there is one place for it: of a burst the last
    counts."""

    last: str | None = None

    def receive(self, data: bytes, now_ns: int) -> None:
        tags = re.findall(rb"(?m)^(@[0-9a-f]{1,4}) .*\n", data)
        self.last = tags[-1].decode() if tags else None
        super().receive(data, now_ns)

    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply if reply.tag is None else reply._replace(tag=self.last or reply.tag))


@lines.device("wire.tag")
class TagEndLeftOver(Device):
    """A shorter tag is copied over a longer one without a zero behind it, and answered with the end of
    that."""

    tag = ""

    def boot(self, cause: str, now_ns: int) -> None:
        self.tag = ""
        super().boot(cause, now_ns)

    def _answer(self, reply: Reply) -> bytes:
        if reply.tag is not None:
            self.tag = reply.tag + self.tag[len(reply.tag) :]
            reply = reply._replace(tag=self.tag)
        return super()._answer(reply)


@lines.device("wire.resync wire.order wire.deadline", _bursts)
class InputFlushedAfterWrongCheck(Device):
    """After a wrong check the receiver's ring is emptied, with whole lines that have come behind it."""

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


@lines.framer("wire.resync wire.idle wire.deadline")
class ResyncLateAfterIdle(ByteFramer):
    """The line end of a line that was idle too long does not end the discarding; the next one does."""

    more = False

    def reset(self) -> None:
        super().reset()
        self.more = False

    def end(self, events: list[bytes | Overlong]) -> None:
        more = self._stale and not self.more
        super().end(events)
        self._stale = self.more = more


@lines.framer("wire.idle wire.resync")
class DiscardEndsWithPause(ByteFramer):
    """A second pause in a line that is being discarded ends the discarding: a pause always begins a line."""

    def idle(self) -> None:
        again = self._stale
        super().idle()
        self._stale = not again


@lines.framer("wire.idle")
class IdleNotBehindTag(ByteFramer):
    """The idle timer begins with the verb: a tag alone is not yet a line."""

    def idle(self) -> None:
        if re.fullmatch(rb"@[0-9a-f]{1,4} ?", self.buffer) is None:
            super().idle()


# ---------------------------------------------------------------------------------------------- eighth round


@lines.framer("wire.framing wire.syntax")
class ReturnInsideSkipped(ByteFramer):
    """A carriage return is thrown away wherever it stands in a line, as terminal programs do."""

    def keep(self, byte: int, events: list[bytes | Overlong]) -> None:
        if byte != _CR:
            super().keep(byte, events)


@lines.framer("wire.idle")
class IdleLookedAtWithLineEnd(ByteFramer):
    """Whether a line was idle too long is looked at when its line end comes, by the pause just before
    that."""

    late = False

    def idle(self) -> None:
        self.late = True

    def ends(self, byte: int) -> bool:
        late, self.late = self.late, False
        if late and super().ends(byte):
            super().idle()
        return super().ends(byte)


@lines.framer("wire.idle wire.length wire.resync")
class OverlongFlagOutlivesDiscard(ByteFramer):
    """The flag of a line that is too long is taken back when that is refused: discarded, it leaves it
    behind."""

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


@lines.device("wire.framing wire.syntax")
class DeleteTakenForPrintable(Device):
    """The last of the printable characters is taken to be 0x7F: <= where < is meant."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        return parsed if isinstance(parsed, Request) else super()._parse(line.replace(b"\x7f", b"!"))


@lines.framer("wire.resync wire.syntax wire.framing")
class WideCharacterSwallowsLineEnd(ByteFramer):
    """A byte that begins a character of two bytes takes the next one with it, be it the line end."""

    begun = False

    def reset(self) -> None:
        super().reset()
        self.begun = False

    def ends(self, byte: int) -> bool:
        begun, self.begun = self.begun, not self.begun and 0xC0 <= byte < 0xE0
        return not begun and super().ends(byte)
