"""An instrument at a port, as the jobs see it (`wirevow.protocol.jobs.box.Box`)."""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from fractions import Fraction
from typing import Any

import serial

from wirevow.emu.ports.rig import InstrumentRig
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.framing import Framer
from wirevow.protocol.jobs.box import Answer, Refused, Silent
from wirevow.protocol.message import Reply, Request, parse_answer
from wirevow.protocol.serialport import explain, open_port
from wirevow.protocol.vow import PointEntry, Vow

TRIES = 3
_SPARE_S = 0.5
"""Beside the document's reply deadline: the host's own delays."""


class PortBox:
    """One open port. Requests are tagged and checked, and sent again with the same tag (`wire.once`)."""

    def __init__(self, url: str, vow: Vow) -> None:
        self._vow = vow
        wire = vow.document.wire
        self._port: Any = open_port(url, wire.baud, wire.opening)
        self.simulated = url.startswith("emu://")
        self.url = url
        self._deadline_s = wire.reply_deadline / 1e9 + _SPARE_S
        self._window = wire.pipeline
        self._tags = itertools.count(1)
        self._framer = Framer(4 * wire.line_limit + 64, None)
        self._settle_s = wire.opening.settle / 1e9

    def identify(self) -> None:
        """Make sure that the instrument keeps the document (`wire.identity`). Raises WirevowError."""
        self.sleep(self._settle_s)
        self._write(b"\n")
        self.sleep(0.05)
        name = self._vow.system_name("identity")
        if name is None:
            return
        said = self._exchange([Request(None, "ask", name)])[0]
        if said.words != self._vow.identity:
            raise Silent(
                f"{self.url}: it is {' '.join(said.words)}, and the document is"
                f" {' '.join(self._vow.identity)}:"
                " use the document that it was built from"
            )

    # ------------------------------------------------------------------------------------------------ time

    def now(self) -> float:
        return self._port.rig.now_ns() / 1e9 if self.simulated else time.monotonic()

    @property
    def rig(self) -> InstrumentRig:
        """The hands on the simulated instrument behind emu://."""
        rig: InstrumentRig = self._port.rig
        return rig

    def sleep(self, seconds: float) -> None:
        until = self.now() + seconds
        while (left := until - self.now()) > 1e-9:
            self._read(left)

    # --------------------------------------------------------------------------------------------- requests

    def ask(self, *names: str) -> list[Answer]:
        answers: list[Answer] = []
        for start in range(0, len(names), self._window):
            some = names[start : start + self._window]
            replies = self._exchange([Request(None, "ask", name) for name in some])
            answers += [
                _value(self._vow.points[name], reply) for name, reply in zip(some, replies, strict=True)
            ]
        return answers

    def put(self, name: str, value: float | str) -> Answer:
        entry = self._vow.points[name]
        if isinstance(value, str):
            words: tuple[str, ...] = (value,)
        else:
            words = entry.number.words(entry.number.nearest(Fraction(value)))
        return _value(entry, self._exchange([Request(None, "put", name, words)])[0])

    def act(self, name: str, ticket: str | None = None) -> str | None:
        words = self._exchange([Request(None, "act", name, () if ticket is None else (ticket,))])[0].words
        return words[0] if words else None

    def part(self, name: str, index: int) -> bytes:
        words = self._exchange([Request(None, "ask", name, (str(index),))])[0].words
        return bytes.fromhex(words[1])

    def _exchange(self, requests: list[Request]) -> list[Reply]:
        tagged = [
            request._replace(tag=f"@{next(self._tags) % 65536:x}", checked=True) for request in requests
        ]
        waiting = {request.tag: request for request in tagged}
        replies: dict[str | None, Reply] = {}
        for _ in range(TRIES):
            self._write(b"".join(request.line() + b"\n" for request in waiting.values()))
            until = self.now() + self._deadline_s * len(waiting)
            while waiting and (left := until - self.now()) > 1e-9:
                for line in self._read(left):
                    answer = parse_answer(line) if isinstance(line, bytes) else None
                    if isinstance(answer, Reply) and answer.tag in waiting:
                        replies[answer.tag] = answer
                        del waiting[answer.tag]
            if not waiting:
                break
            if len(waiting) > 1:  # only the last one is remembered: send what is left one by one
                rest = [self._exchange([request])[0] for request in list(waiting.values())]
                return [replies.get(each.tag) or rest.pop(0) for each in tagged]
        else:
            raise Silent(
                f"{self.url}: no answer to `{_text(next(iter(waiting.values())))}`: look at the plug, the"
                " baud rate,"
                " and whether it is switched on"
            )
        for request in tagged:
            reply = replies[request.tag]
            if not reply.ok:
                raise Refused(_text(request), reply.words[0], reply.words[1:])
        return [replies[request.tag] for request in tagged]

    # ------------------------------------------------------------------------------------------------ bytes

    def _write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except (OSError, serial.SerialException) as error:
            raise Silent(explain(self.url, error).message) from error

    def _read(self, seconds: float) -> list[object]:
        """Lines that are complete after a while: as soon as anything comes, or after so long."""
        try:
            self._port.timeout = seconds
            data = self._port.read_until(b"\n") if self.simulated else self._port.read(1)
            if not self.simulated and data:
                data += self._port.read(self._port.in_waiting)
        except (OSError, serial.SerialException, TypeError) as error:
            raise Silent(explain(self.url, error).message) from error
        return list(self._framer.feed(data, 0)) if data else []

    def close(self) -> None:
        self._port.close()


@contextmanager
def opened(url: str, vow: Vow) -> Iterator[PortBox]:
    """The instrument at a port, which has told that it keeps the document. Raises WirevowError."""
    box = PortBox(url, vow)
    guard = vow.system_name("guard")
    try:
        box.identify()
        try:
            yield box
        finally:
            if guard is not None:  # our first check has turned it on
                with suppress(WirevowError):
                    box.put(guard, "off")
    finally:
        box.close()


def _value(entry: PointEntry, reply: Reply) -> Answer:
    return float(reply.words[0]) if entry.scale is not None else " ".join(reply.words)


def _text(request: Request) -> str:
    return " ".join((request.verb, request.name, *request.arguments))
