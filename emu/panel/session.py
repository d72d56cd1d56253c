"""The pages that are open: what each is sent, and what each may do.

One page at a time has the hands; the others only look, until they take them. A page that reads slowly gets
fewer and larger messages, never a growing heap of them: what it has not been sent yet is one `Pending`, in
which values replace older ones and the log of the wire keeps its newest lines.
"""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from wirevow.emu.panel.checks import Check
from wirevow.emu.panel.description import describe
from wirevow.emu.panel.port import CUT, LONGEST_LINE, Lines, Piece
from wirevow.emu.panel.source import Glance, Source
from wirevow.protocol.client.values import written
from wirevow.protocol.conformance.cautions import AT_WORK
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import decimal_of
from wirevow.protocol.vow import Vow

MOST_PAGES = 8
MOST_LINES = 250
"""Of the wire, in one message."""
MOST_ROWS = 1200
"""Of readings, that a page gets when it opens."""
IDLE_S = 1.0
"""How often is looked while no page is open."""
BUSY_PIECES, BUSY_S = 400, 0.4
"""A host that talks faster than anybody can read has the machine to itself: it is looked at less often."""

Message = dict[str, Any]
Said = tuple[float, str, str]
"""A line of the wire: when (s), which way, and what, made printable."""


class Splitter:
    """Bytes of the wire, as lines, each with the time of its end."""

    def __init__(self) -> None:
        self._lines = Lines()

    def lines(self, pieces: list[Piece]) -> tuple[list[Said], int]:
        """The newest lines, and how many before them were left out."""
        left_out = 0
        if len(pieces) > MOST_LINES:
            # Each piece is about a line: the older ones are only counted.
            old, pieces = pieces[:-MOST_LINES], pieces[-MOST_LINES:]
            left_out = sum(data.count(b"\n") for _, _, data in old)
            self._lines = Lines()
        said: list[Said] = [
            (now_ns / 1e9, way, _printable(line))
            for now_ns, way, line in self._lines.of(pieces)
            if way != CUT
        ]
        if len(said) > MOST_LINES:
            left_out += len(said) - MOST_LINES
            said = said[-MOST_LINES:]
        return said, left_out


def _printable(line: bytes) -> str:
    text = line.removesuffix(b"\r")[:LONGEST_LINE].decode("latin-1")
    return "".join(sign if " " <= sign <= "~" else f"\\x{ord(sign):02X}" for sign in text)


@dataclass(slots=True)
class Pending:
    """What a page has not been sent yet."""

    glance: Glance | None = None
    values: dict[str, str] = field(default_factory=dict)
    rows: deque[tuple[float, list[float | None]]] = field(default_factory=lambda: deque(maxlen=MOST_ROWS))
    said: deque[Said] = field(default_factory=lambda: deque(maxlen=MOST_LINES))
    left_out: int = 0
    others: deque[Message] = field(default_factory=deque)


class Page:
    """One open page. `send` writes a message to its browser, and waits until that is taken."""

    def __init__(self, send: Callable[[Message], Awaitable[None]]) -> None:
        self._send = send
        self.pending = Pending()
        self.news = asyncio.Event()

    def tell(self, message: Message) -> None:
        self.pending.others.append(message)
        self.news.set()

    async def run(self, frame: Callable[[Page, Pending], Message]) -> None:
        """Send what is pending, again and again."""
        while True:
            await self.news.wait()
            self.news.clear()
            while self.pending.others:
                await self._send(self.pending.others.popleft())
            if self.pending.glance is not None:
                pending, self.pending = self.pending, Pending()
                await self._send(frame(self, pending))


class Session:
    """Everything that pages share. `trouble` is why there is no instrument, where there is none.

    `checking` makes a check, of requirements like the patterns that it is given; None where none can be
    started from a page.
    """

    def __init__(
        self,
        source: Source | None,
        *,
        trouble: str = "",
        title: str = "",
        checking: Callable[[list[str]], Check] | None = None,
    ) -> None:
        self.source = source
        self._checking = checking
        self._check: Check | None = None
        self._checked: list[Message] = []
        """What a page that opens now has to know of the check."""
        self._tasks: set[asyncio.Task[None]] = set()
        self.trouble = trouble
        self.title = title
        self.pages: list[Page] = []
        self.hands: Page | None = None
        self._splitter = Splitter()
        self._values: dict[str, str] = {}
        self._said: deque[Said] = deque(maxlen=MOST_LINES)
        self._rows: deque[tuple[float, list[float | None]]] = deque(maxlen=MOST_ROWS)
        self._numbers: list[str] = []
        self._awake = asyncio.Event()
        if source is not None:
            self._numbers = [entry.name for entry in source.vow.points.values() if entry.scale is not None]

    # ------------------------------------------------------------------------------------------------ pages

    async def attend(self, page: Page, come: Callable[[], Awaitable[Message | None]]) -> None:
        """Serve a page until `come` gives None: it is gone."""
        self.pages.append(page)
        if self.hands is None and self._free():
            self.hands = page
        page.tell(self._hello())
        sending = asyncio.create_task(page.run(self._frame))
        self._awake.set()
        try:
            while (message := await come()) is not None:
                await self._obey(page, message)
        finally:
            sending.cancel()
            with suppress(asyncio.CancelledError, ConnectionError):
                await sending
            self.pages.remove(page)
            if self.hands is page:
                await self._drop_hands()

    def _free(self) -> bool:
        """Whether the hands may be had by just coming: not on a real instrument."""
        return self.source is not None and self.source.kind == "simulated"

    async def _drop_hands(self) -> None:
        """Whoever had them is gone, or lets go: a real instrument is made safe at once."""
        self.hands = self.pages[0] if self.pages and self._free() else None
        if self.source is not None and self.hands is None:
            if self._check is not None:
                self._check.stop()  # nobody stays with a real one any more
            try:
                await self.source.take(False)
            except WirevowError as error:
                for page in self.pages:
                    page.tell({"is": "alarm", "text": error.message})

    async def _give_hands(self, page: Page, agreed: bool) -> None:
        if self.source is not None and not self._free():
            if not agreed:
                raise WirevowError("read the cautions first, and say that you will stay with it")
            await self.source.take(True)
        self.hands = page

    def _hello(self) -> Message:
        source = self.source
        if source is None:
            return {"is": "hello", "title": self.title, "trouble": self.trouble}
        return {
            "is": "hello",
            "document": describe(source.vow, source.events),
            "kind": source.kind,
            "address": source.address,
            "wired": source.wired,
            "numbers": self._numbers,
            "values": self._values,
            "rows": list(self._rows),
            "said": list(self._said),
            "checks": self._checking is not None,
            "cautions": [] if self._free() else AT_WORK,
            "checked": self._checked,
            "trouble": "",
        }

    def _frame(self, page: Page, pending: Pending) -> Message:
        glance = pending.glance
        assert glance is not None
        frame: Message = {
            "is": "frame",
            "t": round(glance.seconds, 6),
            "times": glance.times,
            "port": glance.port,
            "powered": glance.powered,
            "hands": "you" if self.hands is page else "nobody" if self.hands is None else "another",
            "pages": len(self.pages),
            "values": pending.values,
            "rows": list(pending.rows),
            "said": list(pending.said),
            "leftOut": pending.left_out,
            "events": dict(glance.events),
        }
        if glance.trouble:
            frame["trouble"] = glance.trouble
        return frame

    # ---------------------------------------------------------------------------------------------- looking

    async def look(self) -> None:
        """Look at the instrument, again and again, and tell every page."""
        source = self.source
        if source is None:
            await asyncio.Event().wait()
            return
        while True:
            glance = await self._looked(source)
            self._tell(glance)
            self._awake.clear()
            with suppress(TimeoutError):
                if self.pages:
                    busy = len(glance.pieces) > BUSY_PIECES
                    await asyncio.sleep(max(source.every_s, BUSY_S) if busy else source.every_s)
                else:
                    await asyncio.wait_for(self._awake.wait(), IDLE_S)

    async def _looked(self, source: Source) -> Glance:
        """A glance; where the instrument takes its time, the pages hear that it is waited for."""
        looking = asyncio.ensure_future(source.glance())
        try:
            while not (await asyncio.wait([looking], timeout=IDLE_S))[0]:
                for page in self.pages:
                    if not page.pending.others:
                        page.tell({"is": "waiting"})
        finally:
            looking.cancel()
        return looking.result()

    def _tell(self, glance: Glance) -> None:
        said, left_out = self._splitter.lines(list(glance.pieces))
        changed = {name: text for name, text in glance.values.items() if self._values.get(name) != text}
        self._values |= changed
        self._said.extend(said)
        row = self._row(glance)
        if row is not None:
            self._rows.append(row)
        for page in self.pages:
            pending = page.pending
            pending.glance = glance
            pending.values |= changed
            pending.left_out += left_out + glance.dropped
            pending.left_out += max(0, len(pending.said) + len(said) - MOST_LINES)
            pending.said.extend(said)
            if row is not None:
                pending.rows.append(row)
            page.news.set()

    def _row(self, glance: Glance) -> tuple[float, list[float | None]] | None:
        """The readings of one instant; None where time has stood."""
        if not glance.values or (self._rows and self._rows[-1][0] >= glance.seconds):
            return None
        return round(glance.seconds, 6), [_number(glance.values, name) for name in self._numbers]

    # ------------------------------------------------------------------------------------------------ checks

    def _begin_check(self, only: list[str]) -> None:
        if self._checking is None:
            raise WirevowError("a check of firmware is started with `wirevow check`, not from a page")
        if self._check is not None:
            raise WirevowError("a check runs already: stop it, or wait until it has ended")
        self._check = self._checking(only)
        self._checked = []
        task = asyncio.create_task(self._follow_check(self._check))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _follow_check(self, check: Check) -> None:
        verdicts: dict[str, str] = {}
        self._tell_check({"kind": "begun"})
        assert self.source is not None
        try:
            await self.source.lend(True)
            async for message in check.messages():
                verdicts |= message.get("verdicts", {})
                self._tell_check(message)
                self._checked = [{"is": "check", **message, "verdicts": dict(verdicts)}]
        except WirevowError as error:
            self._tell_check({"kind": "trouble", "text": error.message})
        finally:
            await self.source.lend(False)
            self._check = None

    def _tell_check(self, message: Message) -> None:
        for page in self.pages:
            page.tell({"is": "check", **message})

    async def close(self) -> None:
        """End a check that runs."""
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    # ---------------------------------------------------------------------------------------------- obeying

    async def _obey(self, page: Page, message: Message) -> None:
        """Do what a page asks for, and tell it what came of it."""
        answer: Message = {"is": "answer", "id": message.get("id"), "ok": True, "text": ""}
        try:
            if message.get("do") == "hands":
                await self._give_hands(page, message.get("agreed") is True)
            elif message.get("do") == "let go" and self.hands is page:
                await self._drop_hands()
            elif self.hands is not page:
                raise WirevowError("another page has the controls: take them first")
            else:
                answer["text"] = await self._done(message)
        except WirevowError as error:
            answer |= {"ok": False, "text": error.message}
        except (TypeError, ValueError, KeyError) as error:
            answer |= {"ok": False, "text": f"this page sent what cannot be understood: {error}"}
        page.tell(answer)

    async def _done(self, message: Message) -> str:
        source = self.source
        if source is None:
            raise WirevowError(self.trouble)
        match message["do"]:
            case "say":
                return await source.say(_text(message, "line"))
            case "put":
                line = _put_line(source.vow, _text(message, "name"), _text(message, "value"))
                return await source.say(line)
            case "act":
                return await source.act(_text(message, "name"), int(message.get("number") or 0))
            case "take":
                await source.take(bool(message["wanted"]))
            case "bench":
                value = None if message.get("value") is None else _text(message, "value")
                await source.bench(_text(message, "event"), value)
            case "power":
                await source.power(bool(message["on"]))
            case "reset":
                await source.reset()
            case "speed":
                await source.speed(int(message["times"]))
            case "advance":
                await source.advance(_seconds(message))
            case "check":
                self._begin_check(_text(message, "only").split())
            case "stop check" if self._check is not None:
                self._check.stop()
            case other:
                raise ValueError(f"{str(other)[:40]!r} is nothing to be done")
        return ""


def _put_line(vow: Vow, name: str, value: str) -> str:
    """The request that puts what a person wrote. WirevowError."""
    entry = vow.points.get(name)
    if entry is None:
        raise WirevowError(f"there is no point {name}")
    try:
        words = written(entry, value if entry.scale is None else decimal_of(value))
    except ValueError as error:
        raise WirevowError(f"{name}: {error}") from None
    return " ".join(("put", name, *words))


def _text(message: Mapping[str, Any], key: str) -> str:
    text = message[key]
    if not isinstance(text, str) or len(text) > LONGEST_LINE or not text.isprintable():
        raise ValueError(f"{key} is a text of at most {LONGEST_LINE} printable characters")
    return text


def _seconds(message: Mapping[str, Any]) -> float:
    seconds = float(message["seconds"])
    if not math.isfinite(seconds):
        raise ValueError("seconds is a number")
    return seconds


def _number(values: Mapping[str, str], name: str) -> float | None:
    text = values.get(name)
    return None if text is None else float(text)
