"""The simulated instrument of a page: the emulator in a thread of its own, its world, and its port."""

from __future__ import annotations

import asyncio
import secrets
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress

from wirevow.emu.bench import Bench
from wirevow.emu.instrument import Instrument as Modelled
from wirevow.emu.panel.desk import Desk
from wirevow.emu.panel.heard import Heard
from wirevow.emu.panel.kept import KeptLine
from wirevow.emu.panel.port import Overheard, PageHost, SharedPort
from wirevow.emu.panel.source import Glance
from wirevow.emu.ports.interface import Drawing, Instrument, Stepping
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.emu.ports.server import Server, open_endpoint
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import PointEntry, Vow

FASTEST = 1000
"""Seconds that pass in one, at most."""
ANSWER_S = 2.0
"""So long an answer may take before it is given up."""
LONGEST_STEP_S = 24 * 3600.0
ASKED_AT_ONCE = 6
"""Points of firmware that are asked at each glance: their values come over the wire."""


class Simulated:
    """Satisfies `wirevow.emu.panel.source.Source`."""

    kind = "simulated"
    every_s = 0.1

    def __init__(
        self,
        instrument: Instrument,
        vow: Vow,
        *,
        listen: str = "pty",
        link: str | None = None,
        public: bool = False,
        wired: Bench | None = None,
    ) -> None:
        """`listen`, `link` and `public` as `wirevow emulate` has them. Raises PortError."""
        outer = open_endpoint(listen, link, vow.document.wire.baud, public)
        self.vow = vow
        self.wired: Mapping[str, object] = {} if wired is None else _wired(wired)
        self._instrument = instrument
        self._awaited: deque[asyncio.Future[str]] = deque()
        self._heard = bytearray()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._page = PageHost(self._hear)
        overheard = Overheard(lambda: self._server.clock.now_ns())
        self._port = SharedPort(outer, self._page, overheard, self._attend)
        self._overheard = overheard
        self._server = Server(instrument, self._port)
        self._line = self._server.line = KeptLine(instrument, vow)
        self._rig = InstrumentRig(self._line, self._server.clock, vow.identity[0])
        if isinstance(instrument, Drawing):
            # Time that stands at a page is no rig's: nobody may foresee a ticket.
            instrument.draw_tickets(lambda: secrets.randbits(16))
        self._desk = Desk()
        self._server.rig = self._desk
        self._times = 1
        self._happened: dict[str, str] = {}
        self._trouble = ""
        self._firmware = None if isinstance(instrument, Modelled) else Heard(vow)
        """What firmware was heard to answer."""
        self._let_go = False
        self._next = 0
        self._shown = [entry for entry in vow.points.values() if entry.kind != "record"]
        self._thread = threading.Thread(target=self._run, name="emulator", daemon=True)
        self.address = self._port.address

    async def start(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._server.clock.begin()
        self._thread.start()

    def _run(self) -> None:
        try:
            self._server.run()
        except Exception as error:
            self._trouble = (
                error.message if isinstance(error, WirevowError) else f"{type(error).__name__}: {error}"
            )

    async def close(self) -> None:
        if self._thread.ident is None:  # it never ran
            self._server.close()
            return
        self._server.stop()
        await asyncio.get_running_loop().run_in_executor(None, self._thread.join, 5.0)

    # --------------------------------------------------------------------------------------------- looking

    @property
    def events(self) -> Sequence[str]:
        return list(self._instrument.bench_events)

    async def glance(self) -> Glance:
        if not self._trouble:
            if self._firmware is not None:
                with suppress(WirevowError):  # it does not answer, or a host program has come meanwhile
                    await self._ask_some()
            with suppress(WirevowError):
                return await self._desk.do(self._look)
        return Glance(self._instrument.now_ns / 1e9, trouble=self._trouble or "the emulator has ended")

    @property
    def _powered(self) -> bool:
        return getattr(self._instrument, "powered", True)

    def _look(self) -> Glance:
        now_ns = self._server.clock.now_ns()
        self._line.run(now_ns)
        pieces, dropped = self._overheard.take()
        if self._firmware is not None:
            self._firmware.learn(pieces)
        return Glance(
            now_ns / 1e9,
            self._values(now_ns),
            pieces,
            dropped,
            self._port.who,
            0 if self._server.clock.stands else self._times,
            self._powered,
            dict(self._happened),
        )

    def _values(self, now_ns: int) -> Mapping[str, str]:
        if self._firmware is not None:
            return dict(self._firmware.values)
        assert isinstance(self._instrument, Modelled)
        device = self._instrument.device
        values: dict[str, str] = {}
        for entry in self._shown:
            if entry.kind == "words":
                values[entry.name] = " ".join(device.words(entry))
            else:
                values[entry.name] = _text(entry, device.value(entry, now_ns))
        return values

    async def _ask_some(self) -> None:
        """Firmware tells its values on the wire only: some are asked at each look while the port is free."""
        if self._port.who == "program" or self._let_go or self._server.clock.stands or not self._powered:
            return
        for _ in range(ASKED_AT_ONCE):
            entry = self._shown[self._next % len(self._shown)]
            self._next += 1
            await self.say(f"ask {entry.name}")

    # ---------------------------------------------------------------------------------------------- the wire

    async def take(self, wanted: bool) -> None:
        self._let_go = not wanted
        self._port.want(wanted)

    async def say(self, line: str) -> str:
        if self._port.who == "program":
            raise WirevowError("a host program has the port: end it, or let it go, and this page can send")
        assert self._loop is not None
        if self._trouble:
            raise WirevowError(f"the instrument has ended: {self._trouble}")
        answered: asyncio.Future[str] = self._loop.create_future()
        if self._port.who != "page":
            self._port.want(True)
            await self._desk.do(lambda: None)
        if line.strip():
            self._awaited.append(answered)
        else:
            answered.set_result("")
        self._page.send(line.encode("ascii", "replace") + b"\n")
        try:
            return await asyncio.wait_for(answered, ANSWER_S)
        except TimeoutError:
            await self._desk.do(self._overheard.cut)
            raise WirevowError(f"no answer to `{line}` came in {ANSWER_S:g} s") from None
        finally:
            if answered in self._awaited:
                self._awaited.remove(answered)

    async def act(self, name: str, number: int = 0) -> str:
        action = self.vow.actions.get(name)
        if action is None:
            raise WirevowError(f"there is no action {name}")
        if action.takes_ticket is None:
            return await self.say(action.line(number))
        given = await self.say(f"act {action.takes_ticket}")
        ok, *words = given.split()
        if ok != "ok" or not words:
            return given
        return await self.say(f"act {name} {words[0]}")

    def _attend(self, has_it: bool) -> None:
        """In the emulator's thread: the page has the port from now on, or has it no more."""
        self._line.keeping = has_it and self._firmware is None
        self._heard.clear()

    def _hear(self, data: bytes) -> None:
        """In the emulator's thread: what the instrument says to the page."""
        self._heard += data
        *lines, rest = self._heard.split(b"\n")
        self._heard = bytearray(rest)
        if self._loop is not None:
            for line in lines:
                if line and not line.startswith(b"note "):
                    with suppress(RuntimeError):
                        self._loop.call_soon_threadsafe(self._answered, line.decode("ascii", "replace"))

    def _answered(self, line: str) -> None:
        while self._awaited:
            waiting = self._awaited.popleft()
            if not waiting.done():
                waiting.set_result(line)
                return

    # --------------------------------------------------------------------------------------------- the world

    async def lend(self, wanted: bool) -> None:
        """Nothing to do: what is checked is another one like it."""

    async def bench(self, event: str, value: str | None) -> None:
        await self._desk.do(lambda: self._rig.bench(event, value))
        if value is not None:
            self._happened[event] = value

    async def power(self, on: bool) -> None:
        await self._desk.do(lambda: self._begin_anew(lambda: self._rig.power(on)))

    async def reset(self) -> None:
        await self._desk.do(lambda: self._begin_anew(self._rig.reset))

    def _begin_anew(self, begin: Callable[[], None]) -> None:
        begin()
        self._overheard.cut()

    async def speed(self, times: int) -> None:
        if not 0 <= times <= FASTEST:
            raise WirevowError(f"time stands (0) or passes 1 to {FASTEST} times as fast, not {times}")
        if times > 1 and isinstance(self._instrument, Stepping):
            raise WirevowError("firmware runs as fast as it does: time stands, or passes once as fast")
        await self._desk.do(lambda: self._pass(times))

    def _pass(self, times: int) -> None:
        if times == 0:
            self._rig.hold()
            return
        self._line.run(self._server.clock.now_ns())
        self._times = times
        self._server.set_speed(times)
        self._rig.run()

    async def advance(self, seconds: float) -> None:
        if not 0 < seconds <= LONGEST_STEP_S:
            raise WirevowError(f"a step is longer than 0 s and at most {LONGEST_STEP_S:g} s")
        await self._desk.do(lambda: self._rig.advance(round(seconds * 1e9), 0))


def _text(entry: PointEntry, value: int | str) -> str:
    return entry.number.text(value) if isinstance(value, int) else value


def _wired(bench: Bench) -> Mapping[str, object]:
    return {
        "title": bench.title,
        "means": bench.means,
        "timeline": [
            {"at": each.at_second, "event": each.event, "value": each.value} for each in bench.timeline
        ],
    }
