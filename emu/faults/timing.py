"""Faults of the transmitter: replies that come late, cut, or without their end; and what nobody asked for."""

from __future__ import annotations

from collections import deque

from wirevow.emu.bench import Bench
from wirevow.emu.faults.boots import does
from wirevow.emu.faults.fault import Kind
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.interface import Plant
from wirevow.protocol.device import Device, Store
from wirevow.protocol.message import Reply
from wirevow.protocol.vow import Vow

timing = Kind("timing", seen=28)


class Withheld(Instrument):
    """An instrument whose replies may leave later than they are ready."""

    def __init__(
        self,
        vow: Vow,
        bench: Bench | None = None,
        seed: int = 0,
        *,
        device_class: type[Device] = Device,
        store: Store | None = None,
        plant: Plant | None = None,
    ) -> None:
        super().__init__(vow, bench, seed, device_class=device_class, store=store, plant=plant)
        self.deadline_ns = vow.document.wire.reply_deadline
        self.held: deque[tuple[int, bytes]] = deque()

    def delay_ns(self, requests: int) -> int:
        """How long the replies to the lines that have just come together are withheld."""
        return 0

    def receive(self, data: bytes, now_ns: int) -> None:
        self._hold(0)
        super().receive(data, now_ns)
        requests = data.count(b"\n")
        self._hold(self.delay_ns(requests) if requests else 0)

    def _hold(self, delay_ns: int) -> None:
        data = super().take()
        if data:
            # What is ready later never overtakes what is held.
            first_ns = self.held[-1][0] if self.held else 0
            self.held.append((max(self.now_ns + delay_ns, first_ns), data))

    def take(self) -> bytes:
        self._hold(0)
        data = b""
        while self.held and self.held[0][0] <= self.now_ns:
            data += self.held.popleft()[1]
        return data

    def next_event_ns(self) -> int | None:
        next_ns = super().next_event_ns()
        if not self.held:
            return next_ns
        return self.held[0][0] if next_ns is None else min(next_ns, self.held[0][0])

    def power(self, on: bool, now_ns: int) -> None:
        super().power(on, now_ns)
        if not on:
            self.held.clear()


@timing.instrument("wire.deadline")
class ReplyLate(Withheld):
    """Lines are looked at in the slow loop: every reply takes one and a half times the deadline."""

    def delay_ns(self, requests: int) -> int:
        return self.deadline_ns * 3 // 2


@timing.instrument("wire.deadline", lambda vow: vow.document.wire.pipeline >= 3)
class ReplyLateInABurst(Withheld):
    """One line is taken from the buffer per turn of the slow loop, so that a burst of them is answered
    late."""

    def delay_ns(self, requests: int) -> int:
        return 3 * self.deadline_ns if requests >= 3 else 0


@timing.instrument("wire.deadline", lambda vow: does(vow, "save"))
class ReplyLateAfterSave(Withheld):
    """The store is written with interrupts off: the next reply waits for it."""

    saves = 0
    ready_ns = 0

    def delay_ns(self, requests: int) -> int:
        delay_ns = max(self.ready_ns - self.now_ns, 0)
        saves = self.device.store.saves
        if saves != self.saves:
            self.saves, self.ready_ns = saves, self.now_ns + 4 * self.deadline_ns
        return delay_ns


@timing.instrument("wire.deadline", lambda vow: does(vow, "save"))
class LineLostAfterSave(Instrument):
    """The store is written with interrupts off: bytes that come meanwhile are lost."""

    saves = 0
    ready_ns = 0

    def receive(self, data: bytes, now_ns: int) -> None:
        if now_ns < self.ready_ns:
            self.advance(now_ns)
            return
        super().receive(data, now_ns)
        saves = self.device.store.saves
        if saves != self.saves:
            self.saves, self.ready_ns = saves, now_ns + self.vow.document.wire.reply_deadline


@timing.device("wire.framing", lambda vow: any(entry.record is not None for entry in vow.points.values()))
class LongReplyWithoutEnd(Device):
    """The buffer for replies has 48 places: the line end of a longer one falls off."""

    def _answer(self, reply: Reply) -> bytes:
        line = super()._answer(reply)
        if len(line) > 48:
            del self.output[-1:]
        return line


@timing.device("point.*.bounds wire.unit")
class LongReplyCut(Device):
    """The buffer for replies has 20 places, and what is longer is cut: that of a refusal with its limits."""

    def _answer(self, reply: Reply) -> bytes:
        line = super()._answer(reply)
        if not reply.ok and len(line) > 21:
            self.output[-len(line) :] = line[:20] + b"\n"
        return line


@timing.instrument("wire.framing wire.notice.whole wire.unit point.*.readable")
class ByteLostAtRingEnd(Instrument):
    """The byte in the last of the 256 places of the transmitter's ring is not sent."""

    sent = 0

    def take(self) -> bytes:
        data = super().take()
        begun, self.sent = self.sent, self.sent + len(data)
        return bytes(byte for place, byte in enumerate(data, begun) if place % 256 != 255)


@timing.device("promise.quiet wire.boot", lambda vow: does(vow, "reboot"))
class BannerAfterBoot(Device):
    """After a boot it greets with its name and version."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.output += " ".join(self.vow.identity[:2]).encode() + b"\n"
        super().boot(cause, now_ns)


@timing.device("promise.quiet wire.order")
class CharactersEchoed(Device):
    """Characters are echoed as they come, for people at a terminal."""

    def receive(self, data: bytes, now_ns: int) -> None:
        self.output += data
        super().receive(data, now_ns)


# ----------------------------------------------------------------------------------------------- second round


class _Asked(Withheld):
    """Some lines are answered late, as what they say decides."""

    def slow(self, data: bytes) -> bool:
        return False

    asked = b""

    def receive(self, data: bytes, now_ns: int) -> None:
        self.asked = data
        super().receive(data, now_ns)

    def delay_ns(self, requests: int) -> int:
        return self.deadline_ns * 3 // 2 if self.slow(self.asked) else 0


@timing.instrument("wire.deadline")
class ReplyLateToActions(_Asked):
    """Actions are done in the slow loop, and answered when they are done."""

    def slow(self, data: bytes) -> bool:
        return b"act " in data


@timing.instrument(
    "wire.deadline", lambda vow: any(entry.record is not None for entry in vow.points.values())
)
class ReplyLateForParts(_Asked):
    """A part of a record is put together in the slow loop."""

    def slow(self, data: bytes) -> bool:
        return any(
            entry.record is not None and b"ask %b " % entry.name.encode() in data
            for entry in self.vow.points.values()
        )


@timing.instrument("wire.deadline")
class ReplyLateWithCheck(_Asked):
    """The check is worked out bit by bit, and late."""

    def slow(self, data: bytes) -> bool:
        return b" ~" in data


@timing.instrument("wire.framing wire.length wire.order wire.deadline")
class BurstOver64Lost(Instrument):
    """The receiver has 64 places; what comes at once beyond them is lost."""

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data[:64], now_ns)


@timing.instrument("wire.framing wire.syntax wire.idle")
class FirstByteWakesIt(Instrument):
    """After ten seconds without a byte the chip sleeps, and the byte that wakes it is lost."""

    heard_ns = 0

    def receive(self, data: bytes, now_ns: int) -> None:
        asleep = now_ns - self.heard_ns > 10_000_000_000
        self.heard_ns = now_ns
        super().receive(data[1:] if asleep else data, now_ns)


@timing.instrument("wire.deadline")
class ReplyLostEveryHundred(Instrument):
    """Every hundredth reply is lost: the transmitter's interrupt comes between two instructions."""

    replies = 0

    def take(self) -> bytes:
        data = super().take()
        kept = b""
        for line in data.splitlines(keepends=True):
            self.replies += not line.startswith(b"note ")
            if line.startswith(b"note ") or self.replies % 100:
                kept += line
        return kept


# ------------------------------------------------------------------------------------------------ third round


@timing.instrument("wire.deadline", lambda vow: does(vow, "reboot"))
class ReplyLateAfterBoot(Withheld):
    """The first reply after a boot waits for the converter to be ready."""

    boots = 1
    first = False

    def delay_ns(self, requests: int) -> int:
        late, boots = self.first, self.device.store.boots
        self.first, self.boots = boots != self.boots, boots
        return self.deadline_ns * 3 // 2 if late else 0


@timing.instrument("wire.deadline")
class ReplyLateToLongLines(_Asked):
    """A line of more than 48 characters is looked at in two turns of the slow loop."""

    def slow(self, data: bytes) -> bool:
        return any(len(line) > 48 for line in data.split(b"\n"))


@timing.device("wire.syntax wire.framing action.*.effect")
class SpaceBehindOk(Device):
    """A reply without values ends with a space."""

    def _answer(self, reply: Reply) -> bytes:
        line = super()._answer(reply)
        if not reply.ok or reply.words or reply.checked:
            return line
        del self.output[-1:]
        self.output += b" \n"
        return line[:-1] + b" \n"


# ----------------------------------------------------------------------------------------------- fourth round


@timing.instrument("wire.deadline", lambda vow: any(state.energised for state in vow.states.values()))
class ReplyLateInOperation(Withheld):
    """While energised the loops come first, and replies are late."""

    def delay_ns(self, requests: int) -> int:
        live = self.vow.states[self.device.state].energised
        return self.deadline_ns * 3 // 2 if live and self.live else self._seen(live)

    live = False

    def _seen(self, live: bool) -> int:
        self.live = live
        return 0


# ------------------------------------------------------------------------------------------------ fifth round


@timing.instrument("wire.deadline")
class ReplyLateOnTheSecond(Withheld):
    """Once a second the display is drawn, which takes twice the deadline; a line that comes meanwhile
    waits."""

    def delay_ns(self, requests: int) -> int:
        return max(2 * self.deadline_ns - self.now_ns % 1_000_000_000, 0)


@timing.instrument(
    "wire.order wire.framing wire.deadline",
    lambda vow: (
        vow.document.wire.pipeline >= 3 and any(entry.record is not None for entry in vow.points.values())
    ),
)
class RepliesOver128Lost(Instrument):
    """The transmitter's ring has 128 places; what a burst of requests has answered beyond them is lost."""

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data, now_ns)
        del self.device.output[128:]


@timing.device("promise.quiet", lambda vow: does(vow, "save"))
class DebugLineAfterSave(Device):
    """A line for whoever wrote it is printed when the store has been written."""

    def _save(self) -> None:
        super()._save()
        self.output += b"store %d\n" % self.store.saves


@timing.instrument("wire.syntax wire.deadline")
class FlowControlObeyed(Instrument):
    """The serial library obeys XOFF and XON (0x13, 0x11): it keeps them, and holds its tongue in between."""

    still = False

    def receive(self, data: bytes, now_ns: int) -> None:
        for byte in data:
            if byte in (0x11, 0x13):
                self.still = byte == 0x13
        super().receive(data.translate(None, b"\x11\x13"), now_ns)

    def take(self) -> bytes:
        return b"" if self.still else super().take()


# ------------------------------------------------------------------------------------------------ sixth round


@timing.instrument("wire.deadline")
class BeepAfterRefusal(Withheld):
    """A refusal is told by a beep as well, and the next line waits until it is over."""

    ready_ns = 0

    def delay_ns(self, requests: int) -> int:
        delay_ns = max(self.ready_ns - self.now_ns, 0)
        if b"refuse " in self.device.output:
            self.ready_ns = self.now_ns + 4 * self.deadline_ns
        return delay_ns


@timing.instrument("wire.order wire.deadline")
class RepliesLostInAStall(Instrument):
    """When the transmitter is free again its ring is emptied, with the replies that have waited in it."""

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        if event == "link.transmitter" and self.device.blocked:
            self.device.output.clear()
        super().bench(event, value, now_ns)


@timing.device(
    "promise.quiet wire.notice.whole trip.*.notice",
    lambda vow: "notices" in vow.parts and any(trip.latched for trip in vow.trips.values()),
)
class BellBeforeTrip(Device):
    """A trip rings the terminal's bell before it is noticed."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event == "trip" and self.notices and not self.blocked:
            self._flush()
            self.output += b"\a"
        super().notify(event, words)


# ---------------------------------------------------------------------------------------------- seventh round


@timing.instrument(
    "wire.deadline", lambda vow: any(entry.signal == "fan.speed" for entry in vow.points.values())
)
class ReplyLateAtFullFan(Withheld):
    """Each pulse of the fan's tachometer is an interrupt; near full speed they leave little time for
    lines."""

    def delay_ns(self, requests: int) -> int:
        entry = next(entry for entry in self.vow.points.values() if entry.signal == "fan.speed")
        near = self.reading(entry, self.now_ns) * entry.number.step > 3000
        return self.deadline_ns * 3 // 2 if near else 0


@timing.instrument(
    "wire.deadline", lambda vow: any(law.phases is not None for law in vow.document.laws.values())
)
class ReplyLateInFastSwing(Withheld):
    """Each step of an alternation is an interrupt; if it is faster than a millisecond little time is left."""

    def delay_ns(self, requests: int) -> int:
        fast = any(
            law.phases is not None
            and self.device.state in (law.armed_in or self.vow.states)
            and sum(self._lasts(phase.lasts) for phase in law.phases) < 1e-3
            for law in self.vow.document.laws.values()
        )
        return self.deadline_ns * 3 // 2 if fast else 0

    def _lasts(self, name: str) -> float:
        value = self.device.settings[name]
        assert isinstance(value, int)
        return value * self.vow.points[name].si


# ---------------------------------------------------------------------------------------------- eighth round


@timing.instrument("wire.deadline", lambda vow: "local" in vow.parts)
class ReplyLateUnderPanel(Withheld):
    """While the front panel has control its task comes first, and lines are looked at when it has drawn."""

    def delay_ns(self, requests: int) -> int:
        return self.deadline_ns * 3 // 2 if self.device.controller == "local" else 0


@timing.instrument("wire.order promise.quiet wire.notice.whole wire.notice.number")
class SentTwiceAfterAStall(Instrument):
    """The transmitter begins its ring again when it comes free: what has waited there is sent twice."""

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        stalled = self.device.blocked
        super().bench(event, value, now_ns)
        if stalled and not self.device.blocked:
            self.device.output += bytes(self.device.output)
