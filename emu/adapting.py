"""Offers firmware with a syntax of its own as a port that speaks wire version 1.

One thread, asleep until a host, the firmware or the translator's own deadline has something to do. Where it
ends while a host program is there, that program can no longer make the instrument safe: it is done for it.
"""

from __future__ import annotations

import random
import time
from contextlib import suppress

from wirevow.emu.ports.adapter import AdapterPort
from wirevow.emu.ports.endpoint import Endpoint, Host, heard, left_of
from wirevow.emu.ports.waiter import make_waiter
from wirevow.protocol.conformance.interrupts import Interrupted, Interrupts
from wirevow.protocol.conformance.session import BITS, ON_THE_WAY_NS
from wirevow.protocol.dialect.file import Phrasebook
from wirevow.protocol.dialect.translate import Translator
from wirevow.protocol.message import Reply, Request, parse_answer
from wirevow.protocol.serialport import PortError

_SAFE_S = 2.0
"""Longest that the safe action is waited for at the end."""
_MOST_UNREAD = 65536
"""Bytes that wait for a host which does not read; then it is not heard either."""


class Adapter:
    """Between the hosts at an endpoint and the firmware at a port."""

    def __init__(self, endpoint: Endpoint, device: AdapterPort, book: Phrasebook) -> None:
        self.warnings: list[str] = []
        """After the end: what the person has to be told loudly."""
        self._endpoint = endpoint
        self._port = device
        self._book = book
        device.changes()
        assert device.host is not None
        self._device = device.host
        self._host: Host | None = None
        self._to_host = self._to_device = b""
        self._changed = False
        """A host has sent something."""
        baud = book.vow.document.wire.baud
        self._translator = Translator(book, BITS * 10**9 // baud, ON_THE_WAY_NS)
        self._interrupts = Interrupts()
        self._waiter = make_waiter(punctual=False)

    def run(self) -> None:
        """Until a signal, which acts when everything is in order. Raises PortError when the port is lost."""
        interrupts = self._interrupts
        with interrupts.handled():
            try:
                with suppress(Interrupted):
                    self._greet(self._endpoint.changes())
                    while True:
                        self._turn()
                self._leave_safe()
            except PortError:
                self._alarm("the port is lost")
                raise
            finally:
                self._waiter.close()
                interrupts.act()

    def _turn(self) -> None:
        """Wait for something, and do it."""
        readers, waker = [*self._endpoint.watched(), self._device.descriptor], self._interrupts.waker
        if self._host is not None and len(self._to_host) < _MOST_UNREAD:
            readers.append(self._host.descriptor)
        if waker is not None:
            readers.append(waker)
        writers = [self._device.descriptor] if self._to_device else []
        if self._host is not None and self._to_host:
            writers.append(self._host.descriptor)
        self._waiter.watch(readers, writers)
        waits = [] if self._host is not None else [self._endpoint.look_again_s]
        due_ns = self._translator.due_ns()
        waits.append(None if due_ns is None else max(0, due_ns - time.monotonic_ns()) / 1e9)
        patience_s = min((each for each in waits if each is not None), default=None)
        ready = {descriptor for descriptor, _ in self._waiter.wait(patience_s)}
        if waker in ready:
            self._interrupts.woken()
        if self._device.descriptor in ready:
            self._from_device()
        if self._host is not None and self._host.descriptor in ready:
            self._from_host(self._host)
        if not ready or ready & set(self._endpoint.watched()):
            self._greet(self._endpoint.changes())
        self._translator.advance(time.monotonic_ns())
        self._pass_on()

    def _greet(self, changes: list[bool]) -> None:
        for opened in changes:
            if not opened and (words := self._endpoint.last_words()):
                self._translator.receive(words, time.monotonic_ns())
            self._to_host = b""
        self._host = self._endpoint.host

    def _from_host(self, host: Host) -> None:
        data = heard(host)
        if data:
            self._changed = True
            self._translator.receive(data, time.monotonic_ns())
        elif data is not None:
            self._greet(self._endpoint.lost())

    def _from_device(self) -> None:
        data = heard(self._device)
        if data:
            self._translator.hear(data, time.monotonic_ns())
        elif data is not None:
            self._lost()

    def _pass_on(self) -> None:
        self._to_device += self._translator.for_firmware()
        self._to_host += self._translator.for_host()
        if self._to_device:
            left = left_of(self._to_device, self._device)
            if left is None:
                self._lost()
            self._to_device = left or b""
        if self._host is None:
            self._to_host = b""
        elif self._to_host:
            left = left_of(self._to_host, self._host)
            if left is None:
                self._greet(self._endpoint.lost())
            self._to_host = left or b""

    def _lost(self) -> None:
        raise PortError(
            f"{self._port.address}: the port was lost; look at the plug and whether the firmware still runs"
        )

    # -------------------------------------------------------------------------------------- a safe way out

    def _leave_safe(self) -> None:
        if self._host is None or not self._changed:
            return
        action = self._book.vow.document.trial.safe
        if action is None or action not in self._book.acts:
            self._alarm("nothing says how to make it safe")
        elif not self._confirmed(action):
            self._alarm(f"{action} was not confirmed")

    def _confirmed(self, action: str) -> bool:
        """Whether the firmware has done this, as far as its answers tell."""
        tag = f"@{random.randrange(0x1000, 0x10000):x}"
        line = Request(tag, "act", action, (), True).line()
        self._translator.receive(b"\n" + line + b"\n", time.monotonic_ns())
        end_s = time.monotonic() + _SAFE_S
        self._waiter.watch([self._device.descriptor], [])
        while time.monotonic() < end_s:
            said = self._translator.for_host()
            answers = [parse_answer(each) for each in said.split(b"\n")]
            mine = [each for each in answers if isinstance(each, Reply) and each.tag == tag]
            if mine:
                return mine[0].ok
            self._to_device += self._translator.for_firmware()
            left = left_of(self._to_device, self._device)
            if left is None:
                return False
            self._to_device = left
            self._waiter.wait(0.01)
            data = heard(self._device)
            if data:
                self._translator.hear(data, time.monotonic_ns())
            self._translator.advance(time.monotonic_ns())
        return False

    def _alarm(self, why: str) -> None:
        if self._host is not None and self._changed:
            self.warnings.append(
                f"{self._port.address}: a host program was cut off, and {why}. THE INSTRUMENT MAY STILL BE"
                " HANDLING POWER: look at it, and disconnect the source by hand."
            )
