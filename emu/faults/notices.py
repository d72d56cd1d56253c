"""Faults of notices: lost, doubled, misnumbered, in the wrong place, sent though nobody wants them."""

from __future__ import annotations

from wirevow.emu.faults.fault import Kind
from wirevow.emu.faults.refusals import has_panel
from wirevow.protocol.device import Device
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import LAST_NOTICE, Reply
from wirevow.protocol.vow import ActionEntry, LeaveEntry, PointEntry, TripEntry, Value, Vow

notices = Kind("notices", seen=43)


def has_notices(vow: Vow) -> bool:
    """The wire has notices."""
    return "notices" in vow.parts


def _timed(vow: Vow) -> bool:
    """Some state is left because of time alone, so that a notice comes without hands on the bench."""
    timed = any(leave.when is None for state in vow.states.values() for leave in state.leaves)
    return has_notices(vow) and timed


def _reboots(vow: Vow) -> bool:
    reboots = any(effect == "reboot" for action in vow.actions.values() for effect, _ in action.does)
    return has_notices(vow) and reboots


def _switch_outlives_boot(vow: Vow) -> bool:
    return _reboots(vow) and any(entry.system == "notices" for entry in vow.points.values())


def _local(vow: Vow) -> bool:
    return has_notices(vow) and has_panel(vow) and any(entry.local for entry in vow.settings)


# ---------------------------------------------------------------------------------------------------- numbers


@notices.device("wire.notice.number", _reboots)
class NoticeNumberKeptOverBoot(Device):
    """Notices are numbered on after a boot that was asked for."""

    last = 0

    def boot(self, cause: str, now_ns: int) -> None:
        self.last = self._number if cause == "request" else 0
        super().boot(cause, now_ns)

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event == "boot":
            self._number = self.last
        super().notify(event, words)


@notices.device("wire.notice.number", _local)
class NoticeNumberInAByte(Device):
    """The number of a notice is kept in one byte and starts again after 255."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        self._number %= 255
        super().notify(event, words)


@notices.device("wire.notice.number", _timed)
class NoticeNumberTakenTwice(Device):
    """A change of state takes two numbers, one when it happens and one when it is sent."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event == "state":
            self._number = self._number % LAST_NOTICE + 1
        super().notify(event, words)


@notices.device("wire.notice.off wire.notice.number", _timed)
class NoticeOffStopsNumbers(Device):
    """While notices are off no numbers are given out, so that a host cannot see what it has missed."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if self.notices:
            super().notify(event, words)


# --------------------------------------------------------------------------------------- lost, doubled, extra


@notices.device("wire.notice.number", _timed)
class NoticeSentTwice(Device):
    """A notice stays in the queue once it has been sent, and leaves again."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        number = self._number
        super().notify(event, words)
        self._number = number
        super().notify(event, words)


@notices.device("wire.boot", _reboots)
class NoticeOfBootMissing(Device):
    """A boot is not noticed: the queue is emptied behind it."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event != "boot":
            super().notify(event, words)


@notices.device("state.*.leave.*", _timed)
class NoticeOfStateMissing(Device):
    """A state that is left by itself is left silently."""

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        self.enter(leave.to, now_ns)


@notices.device("action.*.effect wire.notice.number", has_notices)
class NoticeOfStateAskedFor(Device):
    """Every change of state is noticed, also those the host has asked for."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        before = self.state
        words = super()._perform(action, target, now_ns)
        if self.state != before:
            self.notify("state", (self.state,))
        return words


@notices.device("point.*.local", _local)
class NoticeOfPanelMissing(Device):
    """A setting that is changed at the front panel is changed silently."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event != "local":
            super().notify(event, words)


@notices.device("point.*.local wire.unit", _local)
class NoticeOfPanelWithoutUnit(Device):
    """The notice of a change at the front panel has the number alone."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words[:2] if event == "local" else words)


@notices.device("point.*.local", _local)
class NoticeOfPanelBeforeBounds(Device):
    """The notice of a change at the front panel has the value dialled, not the one that took effect."""

    dialled: Value = ""

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        self.dialled = value
        super().panel(name, value, now_ns)

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event == "local":
            words = (words[0], *self.vow.points[words[0]].words(self.dialled))
        super().notify(event, words)


@notices.device("point.*.choices point.*.local point.panel.control.readable", _local)
class NoticeOfControlMissing(Device):
    """Nobody is told that the front panel has taken control."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event != "control":
            super().notify(event, words)


@notices.device("wire.echo_check", _timed)
class NoticeWithoutCheck(Device):
    """Notices leave without a check while the guard is on."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        guard, self.guard = self.guard, False
        super().notify(event, words)
        self.guard = guard


@notices.device("wire.notice.off", _timed)
class NoticeOffIgnored(Device):
    """Notices are sent although they have been turned off."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        wanted, self.notices = self.notices, True
        super().notify(event, words)
        self.notices = wanted


# ----------------------------------------------------------------------------------------------------- places


@notices.device("wire.notice.whole", _reboots)
class NoticeInsideReply(Device):
    """The transmitter takes its next byte from whichever queue has one: a notice lands inside a reply."""

    reply = b""

    def _answer(self, reply: Reply) -> bytes:
        self.reply = super()._answer(reply)
        return self.reply

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        sent = bytes(self.output)
        super().notify(event, words)
        if self.reply and sent.endswith(self.reply):
            notice = self.output[len(sent) :]
            inside = len(sent) - len(self.reply) // 2
            self.output[inside:] = notice + sent[inside:]


@notices.device("wire.notice.whole state.*.leave.*", _timed)
class NoticeAfterReply(Device):
    """A notice waits until the next reply has left."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.kept: list[bytes] = []
        super().boot(cause, now_ns)

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        begun = len(self.output)
        super().notify(event, words)
        if event != "boot":
            self.kept.append(bytes(self.output[begun:]))
            del self.output[begun:]

    def _answer(self, reply: Reply) -> bytes:
        line = super()._answer(reply)
        self.output += b"".join(self.kept)
        self.kept.clear()
        return line


# ------------------------------------------------------------------------------------------------------ queue


@notices.device("wire.notice.queue", _local)
class QueueDropsNewest(Device):
    """When the queue of notices is full the new one is dropped, not the oldest."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        oldest = self.waiting[0] if len(self.waiting) >= self._wire.notice_queue else None
        super().notify(event, words)
        if oldest is not None and self.waiting:
            self.waiting.pop()
            self.waiting.appendleft(oldest)


@notices.device("wire.notice.queue", _local)
class QueueOneShort(Device):
    """The ring of notices is full with one place left: head and tail may not meet."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        if len(self.waiting) >= self._wire.notice_queue:
            self.waiting.popleft()
            self.drops += 1


@notices.device("wire.notice.queue", _local)
class QueueDropsUncounted(Device):
    """Notices that are dropped are not counted."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        self.drops = 0


@notices.device("wire.notice.queue wire.notice.number", _local)
class QueueGivesNumbersBack(Device):
    """A notice that is dropped gives its number back, so that a host sees no gap."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        drops = self.drops
        super().notify(event, words)
        if self.drops != drops:
            self._number -= 1


# ------------------------------------------------------------------------------------------------------ boots


@notices.device("wire.notice.off wire.boot", _switch_outlives_boot)
class NoticesOffKeptOverBoot(Device):
    """Notices stay off over a boot that was asked for: the switch is in memory that is not cleared."""

    kept = True

    def boot(self, cause: str, now_ns: int) -> None:
        self.kept = self.notices or cause != "request"
        super().boot(cause, now_ns)

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event == "boot":
            self.notices = self.kept
        super().notify(event, words)


# ----------------------------------------------------------------------------------------------- second round


def _drops(vow: Vow) -> bool:
    return _reboots(vow) and _local(vow) and any(entry.system == "drops" for entry in vow.points.values())


@notices.device("wire.boot point.*.readable wire.notice.queue", _drops)
class DropsKeptOverBoot(Device):
    """The count of dropped notices is not zeroed by a boot that is asked for."""

    def boot(self, cause: str, now_ns: int) -> None:
        drops = self.drops if cause == "request" else 0
        super().boot(cause, now_ns)
        self.drops = drops


@notices.device("wire.notice.queue point.*.readable", _drops)
class DropsCountedTwice(Device):
    """A dropped notice is counted where it is dropped, and again where the next one is kept."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        before = self.drops
        super().notify(event, words)
        self.drops += self.drops - before


@notices.device("wire.notice.number promise.quiet point.panel.control.readable", _local)
class NoticeOfControlRepeated(Device):
    """Every press of the panel's key is noticed as a change of control, also when there is none."""

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        if name == "panel.control" and value == self.controller:
            self.notify("control", (self.controller,))
        super().panel(name, value, now_ns)


@notices.device("state.*.leave.*", _timed)
class NoticeOfStateNamesOld(Device):
    """The notice of a state names the one that was left."""

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        old = self.state
        self.enter(leave.to, now_ns)
        self.notify("state", (old,))


@notices.device(
    "wire.notice.off point.link.notices.readable wire.guard",
    lambda vow: any(entry.system == "notices" for entry in vow.points.values()),
)
class NoticesComeOnWithGuard(Device):
    """Turning the guard on or off turns notices on as well: the session begins anew."""

    def _set_guard(self, on: bool) -> None:
        if on != self.guard:
            self.notices = True
        super()._set_guard(on)


@notices.device("point.*.local", _local)
class PanelNoticeBeforeTheValue(Device):
    """A change at the panel is noticed with the value before it."""

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        if name != "panel.control":
            self.before = self.vow.points[name].words(self.settings[name])
        super().panel(name, value, now_ns)

    before: tuple[str, ...] = ()

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words if event != "local" else (words[0], *self.before))


# ------------------------------------------------------------------------------------------------ third round


@notices.device(
    "wire.notice.off",
    lambda vow: _timed(vow) and any(entry.system == "notices" for entry in vow.points.values()),
)
class NoticesKeptWhileOff(Device):
    """Notices that come while they are off are kept, and leave when they are turned on."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.kept: list[tuple[str, tuple[str, ...]]] = []
        super().boot(cause, now_ns)

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        if not self.notices:
            self.kept.append((event, words))

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        if entry.system == "notices" and value == "on":
            for event, words in self.kept:
                super().notify(event, words)
            self.kept.clear()


@notices.device("point.panel.control.readable point.panel.control.choices point.*.local", _local)
class ControlNoticeNamesOther(Device):
    """The notice of a change of control names who has lost it."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event == "control":
            words = ("remote" if words == ("local",) else "local",)
        super().notify(event, words)


@notices.device(
    "wire.notice.number trip.*.notice",
    lambda vow: (
        has_notices(vow)
        and any(trip.provoke is not None and trip.provoke.bench for trip in vow.document.trips.values())
    ),
)
class NoticeNumberNotCountedForTrips(Device):
    """The notice of a trip has the number of the notice before it."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event == "trip" and self._number > 1:
            self._number -= 1
        super().notify(event, words)


# ----------------------------------------------------------------------------------------------- fourth round


@notices.device(
    "wire.notice.number wire.notice.whole point.*.local point.panel.control.readable trip.*.notice", _local
)
class NoticeLostAfterSleep(Device):
    """The first notice after half a minute without a line is lost: the transmitter has gone to sleep."""

    awake_ns = 0

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        self.awake_ns = now_ns
        super().line(line, now_ns)

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        asleep = now_ns - self.awake_ns > 30_000_000_000
        self.awake_ns = now_ns
        before = len(self.output)
        super().panel(name, value, now_ns)
        if asleep:
            del self.output[before:]


@notices.device("point.*.local", _local)
class PanelNoticedOnce(Device):
    """Of what is changed at the front panel only the first change is noticed, until control is given back."""

    told = False

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        self.told = self.told and name != "panel.control"
        super().panel(name, value, now_ns)

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event != "local" or not self.told:
            super().notify(event, words)
        self.told = self.told or event == "local"


# ------------------------------------------------------------------------------------------------ fifth round


@notices.device("wire.notice.number wire.notice.queue", _local)
class QueueLeavesBackwards(Device):
    """Notices that had to wait leave the newest first: they were put on a stack."""

    def _flush(self) -> None:
        self.waiting.reverse()
        super()._flush()


@notices.device("wire.framing wire.notice.whole wire.syntax", _local)
class NoticeOverwritesBegunLine(Device):
    """A notice is put together in the buffer of the line that is just coming in."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        if self.notices:
            self._framer.reset()


@notices.device("point.panel.control.readable point.panel.control.choices point.*.local", _local)
class ControlBackUnnoticed(Device):
    """That the front panel takes control is noticed; that it gives it back is not."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if (event, words) != ("control", ("remote",)):
            super().notify(event, words)


@notices.device(
    "wire.notice.queue wire.notice.off point.*.readable",
    lambda vow: _local(vow) and {"drops", "notices"} <= {entry.system or "" for entry in vow.points.values()},
)
class OffCountedAsDrops(Device):
    """A notice that is not sent because notices are off is counted as dropped."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        self.drops += not self.notices


# ------------------------------------------------------------------------------------------------ sixth round


@notices.device("wire.echo_check", _local)
class NoticeCheckedAfterGuard(Device):
    """Notices go on carrying a check when the guard is off again: their flag is set and never taken back."""

    checks = False

    def boot(self, cause: str, now_ns: int) -> None:
        self.checks = False
        super().boot(cause, now_ns)

    def _set_guard(self, on: bool) -> None:
        super()._set_guard(on)
        self.checks = self.checks or on

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        guard, self.guard = self.guard, self.checks
        super().notify(event, words)
        self.guard = guard


def _switch(vow: Vow) -> bool:
    return has_notices(vow) and any(entry.system == "notices" for entry in vow.points.values())


@notices.device(
    "wire.notice.off", lambda vow: _switch(vow) and any(trip.latched for trip in vow.trips.values())
)
class NoticeOffButForTrips(Device):
    """Trips are noticed although notices are off, because they matter."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        switch = self.notices
        self.notices = switch or event == "trip"
        super().notify(event, words)
        self.notices = switch


@notices.device(
    "wire.notice.queue point.*.readable",
    lambda vow: _local(vow) and any(entry.system == "drops" for entry in vow.points.values()),
)
class DropsCountedOnceAStall(Device):
    """Dropped notices are counted once while the transmitter is stuck: a flag says that the queue ran
    over."""

    ran_over = False

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        drops = self.drops
        super().notify(event, words)
        if self.drops > drops and self.ran_over:
            self.drops = drops
        self.ran_over = self.blocked and (self.ran_over or self.drops > drops)


@notices.device(
    "state.*.leave.*",
    lambda vow: (
        has_notices(vow) and any(leave.when for state in vow.states.values() for leave in state.leaves)
    ),
)
class NoticeOfConditionMissing(Device):
    """A state that is left by its condition is left silently; only timers notice that they have struck."""

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        if leave.when is None:
            super().leave(leave, now_ns)
        else:
            self.enter(leave.to, now_ns)


@notices.device("wire.notice.number wire.notice.off", lambda vow: _switch(vow) and _local(vow))
class NumbersBeginAgainWhenOn(Device):
    """Turning notices on begins their numbers again, as a boot does."""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        before = self.notices
        super()._set(entry, value, now_ns)
        if self.notices and not before:
            self._number = 0


# ---------------------------------------------------------------------------------------------- seventh round


@notices.device(
    "wire.notice.number wire.notice.whole trip.*.notice point.*.local point.panel.control.readable", _local
)
class NoticeLostWhileLineComes(Device):
    """A notice that is due while a line is coming in is not sent: the line is thought to be busy both
    ways."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        switch = self.notices
        self.notices = switch and not self._framer._begun
        super().notify(event, words)
        self.notices = switch


@notices.device("wire.once wire.notice.number", _local)
class NoticeRepeatedWithReply(Device):
    """What is remembered of a reply is the transmitter's buffer, with the notices that left before it."""

    def _answer(self, reply: Reply) -> bytes:
        before = b"".join(self.waiting)
        return before + super()._answer(reply)


# ---------------------------------------------------------------------------------------------- eighth round


@notices.device("wire.notice.queue", _local)
class QueueOneOver(Device):
    """A notice is dropped when the queue is more than full: > where >= is meant."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        full = self.blocked and len(self.waiting) == self._wire.notice_queue
        first = self.waiting.popleft() if full else None
        super().notify(event, words)
        if first is not None:
            self.waiting.appendleft(first)


@notices.device(
    "wire.notice.queue point.link.drops.readable point.*.readable",
    lambda vow: _local(vow) and any(entry.system == "drops" for entry in vow.points.values()),
)
class DropsInAByte(Device):
    """The count of dropped notices is kept in one byte."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        self.drops %= 256


@notices.device("wire.boot", _reboots)
class NoticeOfBootSaysPower(Device):
    """The notice of a boot is a fixed text that says power; the cause that can be asked for is right."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, ("power",) if event == "boot" else words)


_NOTICE_NS = 1_000_000  # a short notice takes about so long on a fast line


@notices.device("wire.notice.number", _local)
class NoticeLostBehindNotice(Device):
    """There is one place for a notice that is being sent: one that comes within a millisecond of it is
    lost."""

    now_ns = 0
    free_ns = 0

    def boot(self, cause: str, now_ns: int) -> None:
        self.now_ns = self.free_ns = now_ns
        super().boot(cause, now_ns)

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        self.now_ns = now_ns
        super().leave(leave, now_ns)

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        self.now_ns = now_ns
        super().fire(trip, value, now_ns)

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        self.now_ns = now_ns
        super().panel(name, value, now_ns)

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if self.now_ns < self.free_ns and not self.blocked:
            self._number = self._number % LAST_NOTICE + 1
            return
        self.free_ns = self.now_ns + _NOTICE_NS
        super().notify(event, words)
