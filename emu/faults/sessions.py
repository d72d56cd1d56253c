"""Faults of what protects a session: checks and the guard, exactly once, tickets."""

from __future__ import annotations

import re
from binascii import crc_hqx
from dataclasses import replace

from wirevow.emu.faults.change import with_action
from wirevow.emu.faults.fault import Kind
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.message import Malformed, Reply, Request
from wirevow.protocol.vow import ActionEntry, PointEntry, TripEntry, Value, Vow

sessions = Kind("sessions", seen=65)

_CHECKED = re.compile(rb"(.*) ~([0-9A-Fa-f]{4})")


def gives_ticket(vow: Vow) -> bool:
    """Some action gives out a ticket."""
    return any(action.gives_ticket_ns is not None for action in vow.actions.values())


def _reboots(vow: Vow) -> bool:
    return any(effect == "reboot" for action in vow.actions.values() for effect, _ in action.does)


# -------------------------------------------------------------------------------------------------- the check


@sessions.device("wire.check")
class CheckNotCompared(Device):
    """The check is taken off the line and not compared."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = _CHECKED.fullmatch(line)
        if parsed == Malformed("check") and found is not None:
            parsed = super()._parse(found[1])
            return parsed._replace(checked=True) if isinstance(parsed, Request) else parsed
        return parsed


@sessions.device("wire.check")
class CheckLowByteOnly(Device):
    """Of the check only the last two digits are compared: the sum is kept in one byte."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = _CHECKED.fullmatch(line)
        if parsed != Malformed("check") or found is None:
            return parsed
        if crc_hqx(found[1], 0xFFFF) & 0xFF != int(found[2][2:], 16):
            return parsed
        parsed = super()._parse(found[1])
        return parsed._replace(checked=True) if isinstance(parsed, Request) else parsed


@sessions.device("wire.syntax")
class CheckInSmallLetters(Device):
    """The check is read in small letters as well."""

    def _parse(self, line: bytes) -> Request | Malformed:
        found = _CHECKED.fullmatch(line)
        return super()._parse(line if found is None else found[1] + b" ~" + found[2].upper())


@sessions.device("wire.check")
class CheckWithoutTag(Device):
    """The sum begins behind the tag, so that a tagged line with a right check is refused."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        tagged = isinstance(parsed, Request) and parsed.checked and parsed.tag is not None
        return Malformed("check") if tagged else parsed


@sessions.device("wire.echo_check")
class CheckMissingOnRefusal(Device):
    """Refusals leave without a check."""

    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply if reply.ok else reply._replace(checked=False))


@sessions.device("wire.echo_check")
class CheckMissingWhenNotAsked(Device):
    """A request without a check is answered without one, guard or not."""

    asked = False

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        self.asked = isinstance(parsed, Request) and parsed.checked
        return parsed

    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply._replace(checked=reply.checked and self.asked))


# -------------------------------------------------------------------------------------------------- the guard


@sessions.device("wire.guard")
class GuardByPutOnly(Device):
    """A checked request does not turn the guard on; only putting it does."""

    putting = False

    def _set_guard(self, on: bool) -> None:
        super()._set_guard(on and self.putting)

    def _put(self, request: Request, now_ns: int) -> Answer:
        self.putting = True
        answer = super()._put(request, now_ns)
        self.putting = False
        return answer


@sessions.device("wire.guard")
class GuardOnByRefused(Device):
    """A checked request turns the guard on even if it is refused."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        if not ok and request.checked:
            self._set_guard(True)
        return ok, words


@sessions.device("wire.guard")
class GuardLetsActionsThrough(Device):
    """The guard is asked for `put` only."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        if request.verb == "act" and self.guard and not request.checked:
            return self._act(request, now_ns)
        return super()._do(request, now_ns)


@sessions.device("wire.guard")
class GuardStopsAsking(Device):
    """The guard refuses unchecked questions too."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        if self.guard and not request.checked:
            return False, ("check",)
        return super()._do(request, now_ns)


@sessions.device("wire.guard")
class GuardOpenedUnchecked(Device):
    """The request that turns the guard off is let through without a check."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if request.verb == "put" and entry is not None and entry.system == "guard":
            return self._put(request, now_ns)
        return super()._do(request, now_ns)


@sessions.device("wire.guard", _reboots)
class GuardKeptOverBoot(Device):
    """The guard stays on over a boot that was asked for: its flag is in memory that is not cleared."""

    def boot(self, cause: str, now_ns: int) -> None:
        guard = self.guard
        super().boot(cause, now_ns)
        if cause == "request" and guard:
            self._set_guard(True)


@sessions.device("wire.guard")
class GuardLostByOverlongLine(Device):
    """A line that is too long runs over the flag of the guard behind the buffer."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if isinstance(line, Overlong):
            self._set_guard(False)


@sessions.device("wire.guard", lambda vow: bool(vow.trips))
class GuardLostByTrip(Device):
    """A trip resets the session, guard and all."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self._set_guard(False)


# ----------------------------------------------------------------------------------------------- exactly once


@sessions.device("wire.once action.*.repeat")
class OnceDoneAgain(Device):
    """A request repeated with its tag is done again."""

    def _same(self, remembered: bytes, line: bytes) -> bool:
        return False


@sessions.device("wire.once")
class OnceByTagAlone(Device):
    """A request with the tag of the one before is taken for its repetition, whatever it says."""

    def _same(self, remembered: bytes, line: bytes) -> bool:
        return remembered.partition(b" ")[0] == line.partition(b" ")[0]


@sessions.device("wire.once")
class OnceKeptOverUntagged(Device):
    """A request without a tag leaves what is remembered, so that an older one is taken for repeated."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        remembered = self._remembered
        super().line(line, now_ns)
        self._remembered = self._remembered or remembered


@sessions.device("wire.once")
class OnceClearedByNoise(Device):
    """A line that is not understood clears what is remembered."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed):
            self._remembered = None
        return parsed


@sessions.device("wire.once")
class OnceNotForAsking(Device):
    """Answers to `ask` are not remembered."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self._remembered is not None and b"ask " in self._remembered[0]:
            self._remembered = None


@sessions.device("wire.once")
class OnceNotForRefusals(Device):
    """Refusals are not remembered: repeated, the request may be done."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self._remembered is not None and b"refuse " in self._remembered[1]:
            self._remembered = None


@sessions.device("wire.once", _reboots)
class OnceKeptOverBoot(Device):
    """What is remembered outlives a boot: the request for the boot, repeated, is answered and not done."""

    def reboot(self, now_ns: int) -> None:
        remembered = self._remembered
        super().reboot(now_ns)
        self._remembered = remembered


@sessions.device(
    "wire.watchdog wire.once", lambda vow: any(entry.system == "silence" for entry in vow.points.values())
)
class OnceFeedsTheWatchdog(Device):
    """A stored answer given again ends the host's silence."""

    now_ns = 0

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        self.now_ns = now_ns
        super().line(line, now_ns)

    def _same(self, remembered: bytes, line: bytes) -> bool:
        same = super()._same(remembered, line)
        if same:
            self.accepted_ns = self.now_ns
        return same


# ---------------------------------------------------------------------------------------------------- tickets


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketAny(Device):
    """Any four digits pass for the ticket."""

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        return True


@sessions.device("wire.reasons action.*.ticket", gives_ticket)
class TicketInCapitals(Device):
    """A ticket may be written in capitals."""

    def _wrong_arguments(self, action: ActionEntry, arguments: tuple[str, ...]) -> tuple[str, ...] | None:
        return super()._wrong_arguments(action, tuple(word.lower() for word in arguments))


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketOlderStaysGood(Device):
    """A newer ticket does not make the older ones void."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.given: list[tuple[str, str, int]] = []
        super().boot(cause, now_ns)

    def _give(self, action: ActionEntry, now_ns: int) -> str:
        ticket = super()._give(action, now_ns)
        assert self._ticket is not None
        self.given.append(self._ticket)
        return ticket

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        return any(each[:2] == (giver, given) and now_ns <= each[2] for each in self.given)

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        if action.takes_ticket is not None:
            self.given = []
        return super()._perform(action, target, now_ns)


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketUsedIsGoodAgain(Device):
    """A ticket that was used is not struck out: it passes once more beside the newest."""

    used: tuple[str, str] | None = None

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        good = super()._good(giver, given, now_ns) or (giver, given) == self.used
        if good:
            self.used = (giver, given)
        return good


def _outlives_ticket(vow: Vow) -> bool:
    """In some state a ticket can be used, and time alone does not end it before the ticket is too old."""
    for giver in vow.actions.values():
        good_ns = giver.gives_ticket_ns
        if good_ns is None:
            continue
        users = [action for action in vow.actions.values() if action.takes_ticket == giver.name]
        for name in giver.to.values():
            lasts = all(
                leave.when is not None or leave.after_ns > good_ns for leave in vow.states[name].leaves
            )
            if lasts and any(name in user.to for user in users):
                return True
    return False


@sessions.tables("wire.ticket action.*.ticket", _outlives_ticket)
def ticket_everlasting(vow: Vow) -> Vow:
    """The time of a ticket is forgotten: it stays good for as long as the state waits for it."""
    for action in vow.actions.values():
        if action.gives_ticket_ns is not None:
            vow = with_action(vow, action.name, gives_ticket_ns=1 << 62)
    return vow


@sessions.device("wire.ticket", lambda vow: gives_ticket(vow) and _reboots(vow))
class TicketSameAfterBoot(Device):
    """The tickets are the same after every boot, so that one of the session before may pass."""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self._tickets = 0

    def _drawn(self) -> str:
        store = self.store
        self.store = replace(store, boots=0)
        ticket = super()._drawn()
        self.store = store
        return ticket


@sessions.device("wire.ticket action.*.ticket", lambda vow: gives_ticket(vow) and farthest(vow) is not None)
class TicketUnlockedByDepth(Device):
    """Once the farthest state has been visited, tickets are no longer compared: a flag is not taken back."""

    unlocked = False

    def enter(self, state: str, now_ns: int) -> None:
        super().enter(state, now_ns)
        self.unlocked |= state == farthest(self.vow)

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        return self.unlocked or super()._good(giver, given, now_ns)


def farthest(vow: Vow) -> str | None:
    """The energised state that takes the most actions from the initial one; None if there is none."""
    steps = {vow.initial: 0}
    reached = [vow.initial]
    for state in reached:
        for action in vow.actions.values():
            to = action.to.get(state)
            if to is not None and to not in steps:
                steps[to] = steps[state] + 1
                reached.append(to)
    energised = [state for state in reached if vow.states[state].energised]
    return max(energised, key=lambda state: steps[state], default=None)


# ----------------------------------------------------------------------------------------------- second round


@sessions.device("wire.once")
class OnceByLength(Device):
    """A request is taken for the one before if tag and length are the same: the rest is not compared."""

    def _same(self, remembered: bytes, line: bytes) -> bool:
        return len(remembered) == len(line) and remembered.split(b" ")[0] == line.split(b" ")[0]


@sessions.device("wire.once", lambda vow: "local" in vow.parts and "notices" in vow.parts)
class OnceOverwrittenByNotice(Device):
    """The remembered reply lies where a notice is put together, and is lost with one."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        self._remembered = None


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketForTheNextLineOnly(Device):
    """A ticket is good for the next request only."""

    def _ask(self, request: Request, now_ns: int) -> Answer:
        self._ticket = None
        return super()._ask(request, now_ns)


@sessions.device("wire.guard")
class GuardEndsWithSilence(Device):
    """The guard is given up when nothing was said for a minute."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if self.guard and now_ns - self.accepted_ns > 60_000_000_000:
            self._set_guard(False)
        super().line(line, now_ns)


@sessions.device("wire.echo_check wire.check")
class CheckOfReplyWithoutTag(Device):
    """The sum of a reply begins behind its tag."""

    def _answer(self, reply: Reply) -> bytes:
        line = super()._answer(reply)
        if reply.tag is None or not reply.checked:
            return line
        body = line[len(reply.tag) + 1 : -len(b" ~0000\n")]
        wrong = line[: -len(b"0000\n")] + b"%04X\n" % crc_hqx(body, 0xFFFF)
        del self.output[-len(line) :]
        self.output += wrong
        return wrong


@sessions.device(
    "wire.echo_check wire.check wire.notice.whole",
    lambda vow: (
        "notices" in vow.parts
        and any(leave.when is None for state in vow.states.values() for leave in state.leaves)
    ),
)
class CheckBeginsAtZero(Device):
    """The sum of a notice begins at zero, not at all ones."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        before = len(self.output)
        super().notify(event, words)
        line = bytes(self.output[before:])
        if self.guard and line and not self.blocked:
            body = line[: -len(b" ~0000\n")]
            self.output[before:] = body + b" ~%04X\n" % crc_hqx(body, 0)


@sessions.device("wire.guard", lambda vow: any(entry.system == "notices" for entry in vow.points.values()))
class GuardLostWithNoticesOff(Device):
    """Guard and notices are bits of one byte: turning notices off writes the whole byte."""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        if entry.system == "notices" and value == "off":
            self.dropping = True

    dropping = False

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self.dropping:
            self.dropping = False
            self._set_guard(False)


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketVoidAfterRefusal(Device):
    """A wrong ticket makes the right one void as well."""

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        good = super()._good(giver, given, now_ns)
        if not good:
            self._ticket = None
        return good


@sessions.device("wire.once wire.tag")
class OnceForEqualTagsInNumber(Device):
    """Tags are compared as numbers: @1 and @01 are one, if the rest is the same."""

    def _same(self, remembered: bytes, line: bytes) -> bool:
        tag, _, rest = line.partition(b" ")
        old, _, before = remembered.partition(b" ")
        return rest == before and int(tag[1:], 16) == int(old[1:], 16)


# ------------------------------------------------------------------------------------------------ third round


@sessions.device("wire.guard")
class GuardRefusesOnce(Device):
    """The guard refuses an unchecked request once; asked again, it is done."""

    last: Request | None = None

    def _do(self, request: Request, now_ns: int) -> Answer:
        again = self.guard and request == self.last and request.verb == "put"
        self.last = request
        return self._put(request, now_ns) if again else super()._do(request, now_ns)


@sessions.device("wire.once")
class OnceForTenSeconds(Device):
    """What is remembered is forgotten after ten seconds."""

    remembered_ns = 0

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if now_ns - self.remembered_ns > 10_000_000_000:
            self._remembered = None
        self.remembered_ns = now_ns
        super().line(line, now_ns)


@sessions.device("wire.echo_check wire.guard")
class CheckOnceMoreAfterGuard(Device):
    """The reply after the guard was turned off still has a check."""

    more = False

    def _answer(self, reply: Reply) -> bytes:
        reply = reply._replace(checked=reply.checked or self.more)
        self.more = False
        return super()._answer(reply)

    def _do(self, request: Request, now_ns: int) -> Answer:
        was = self.guard
        answer = super()._do(request, now_ns)
        self.ended = was and not self.guard
        return answer

    ended = False

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        self.more, self.ended = self.ended, False


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketKeepsOldTime(Device):
    """A newer ticket ends when the one before it would have."""

    def _give(self, action: ActionEntry, now_ns: int) -> str:
        before = self._ticket
        given = super()._give(action, now_ns)
        if before is not None and self._ticket is not None and now_ns <= before[2]:
            self._ticket = (*self._ticket[:2], before[2])
        return given


# ----------------------------------------------------------------------------------------------- fourth round


@sessions.device("wire.echo_check wire.guard")
class GuardOffAnsweredUnchecked(Device):
    """The reply to the request that turns the guard off has no check: the guard is off by then."""

    ended = False

    def _do(self, request: Request, now_ns: int) -> Answer:
        was = self.guard
        answer = super()._do(request, now_ns)
        self.ended = was and not self.guard
        return answer

    def _answer(self, reply: Reply) -> bytes:
        ended, self.ended = self.ended, False
        return super()._answer(reply._replace(checked=reply.checked and not ended))


@sessions.device("wire.check")
class CheckNotComparedForAsking(Device):
    """The check of a question is not compared: a question does no harm."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = _CHECKED.fullmatch(line)
        if parsed == Malformed("check") and found is not None:
            bare = super()._parse(found[1])
            if isinstance(bare, Request) and bare.verb == "ask":
                return bare._replace(checked=True)
        return parsed


# ------------------------------------------------------------------------------------------------ fifth round


@sessions.device("wire.guard", lambda vow: any(action.always for action in vow.actions.values()))
class StopLetThroughUnguarded(Device):
    """The action that is always done is done without a check too while the guard is on."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        if request.verb == "act" and action is not None and action.always:
            return self._act(request, now_ns)
        return super()._do(request, now_ns)


@sessions.device("wire.guard", lambda vow: any(entry.record is not None for entry in vow.points.values()))
class GuardOnByPart(Device):
    """A part of a record sets the flag for its check, and that flag turns the guard on."""

    def _bulk(self, request: Request, ok: bool) -> bool:
        bulk = super()._bulk(request, ok)
        if bulk:
            self._set_guard(True)
        return bulk


@sessions.device("wire.once")
class OnceComparedOver24(Device):
    """What is remembered of a request are its first 24 bytes; a longer one is compared as far as they go."""

    def _same(self, remembered: bytes, line: bytes) -> bool:
        return remembered[:24] == line[:24]


@sessions.device("wire.once")
class OnceClearedByMissingCheck(Device):
    """A request that is refused because its check is missing clears what is remembered."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        if words == ("check",):
            self._remembered = None
        return ok, words


class _Dropping(Framer):
    """Tells whether it has discarded a line for its idle time."""

    dropped = False

    def feed(self, data: bytes, now_ns: int) -> list[bytes | Overlong]:
        late = self._begun and self.idle_ns is not None and now_ns - self._last_ns > self.idle_ns
        stale = self._stale or late
        events = super().feed(data, now_ns)
        self.dropped = self.dropped or (stale and b"\n" in data)
        return events


@sessions.device("wire.once")
class OnceLostInDiscardedLine(Device):
    """A line that is discarded for its idle time takes what is remembered with it: one routine clears
    both."""

    framer = _Dropping

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data, now_ns)
        assert isinstance(self._framer, _Dropping)
        if self._framer.dropped:
            self._framer.dropped = False
            self._remembered = None


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketKeptAliveByLines(Device):
    """Every request starts the ticket's time afresh, as it does the host's silence."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        if self._ticket is not None and now_ns <= self._ticket[2]:
            giver, ticket, _ = self._ticket
            self._ticket = (giver, ticket, now_ns + (self.vow.actions[giver].gives_ticket_ns or 0))
        return super()._do(request, now_ns)


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketWithoutLeadingZeros(Device):
    """A ticket is printed without its leading zeros, so that one in sixteen is too short to be given back."""

    def _give(self, action: ActionEntry, now_ns: int) -> str:
        return f"{int(super()._give(action, now_ns), 16):x}"


# ------------------------------------------------------------------------------------------------ sixth round


@sessions.device("wire.once", lambda vow: any(("save", "") in action.does for action in vow.actions.values()))
class OnceForUntaggedActions(Device):
    """An action that comes twice is done once, also when it has no tag: what is remembered is the line."""

    untagged: tuple[bytes, bytes] | None = None
    said = b""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self.untagged = None

    def _answer(self, reply: Reply) -> bytes:
        self.said = super()._answer(reply)
        return self.said

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if self.untagged is not None and self.untagged[0] == line:
            self._repeat(self.untagged[1])
            return
        booted_ns = self.booted_ns
        super().line(line, now_ns)
        if isinstance(line, bytes) and booted_ns == self.booted_ns:
            action = line.startswith(b"act ") and isinstance(self._parse(line), Request)
            self.untagged = (line, self.said) if action else None


@sessions.device("wire.once")
class OnceRemembersTwo(Device):
    """The last two requests are remembered, so that the one before the last, sent again, is not done."""

    older: tuple[bytes, bytes] | None = None

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self.older = None

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        before = self._remembered
        if self.older is not None and self.older[0] == line:
            self._repeat(self.older[1])
            return
        super().line(line, now_ns)
        if self._remembered is not before:
            self.older = None if self._remembered is None else before


@sessions.device("wire.guard wire.check")
class GuardOnByWrongCheck(Device):
    """The flag that turns the guard on is set where a check is found, before it is compared."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if parsed == Malformed("check"):
            self._set_guard(True)
        return parsed


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketFirstHalfOnly(Device):
    """Of a ticket the first two digits are compared: the length given is that in bytes."""

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        ticket = self._ticket
        if ticket is not None and ticket[1][:2] == given[:2]:
            given = ticket[1]
        return super()._good(giver, given, now_ns)


# ---------------------------------------------------------------------------------------------- seventh round


def _unchecked(line: bytes) -> bytes:
    """The line without what has the form of a check."""
    found = _CHECKED.fullmatch(line)
    return line if found is None else found[1]


class _Lenient(Device):
    """A device half that takes some wrong checks for right ones."""

    def lets_through(self, line: bytes) -> bool:
        raise NotImplementedError

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if parsed != Malformed("check") or not self.lets_through(line):
            return parsed
        bare = super()._parse(_unchecked(line))
        return bare._replace(checked=True) if isinstance(bare, Request) else bare


@sessions.device("wire.check")
class CheckOfZerosPasses(_Lenient):
    """A check of four zeros passes: it says that none was worked out, as in an older protocol."""

    def lets_through(self, line: bytes) -> bool:
        return line.endswith(b" ~0000")


@sessions.device("wire.check wire.guard")
class CheckNotComparedOnceGuarded(_Lenient):
    """While the guard is on it is enough that there is a check; compared is only the one that turns it on."""

    def lets_through(self, line: bytes) -> bool:
        return self.guard


@sessions.device(
    "wire.exact wire.unit",
    lambda vow: any(entry.scale is not None and entry.scale.digits > 0 for entry in vow.settings),
)
class DigitsFreeAfterCheck(Device):
    """The flag that lets a checked number have fewer digits is taken back when the next line has been
    done."""

    free = False

    def boot(self, cause: str, now_ns: int) -> None:
        self.free = False
        super().boot(cause, now_ns)

    def _do(self, request: Request, now_ns: int) -> Answer:
        answer = super()._do(request, now_ns)
        self.free = request.checked
        return answer

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        return super()._read(entry, request._replace(checked=request.checked or self.free))


@sessions.device("wire.ticket action.*.ticket", _outlives_ticket)
class TicketLatePassesSecondTime(Device):
    """A ticket that is too late is refused, and its time set to zero, which means no end: then it passes."""

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        ticket = self._ticket
        if ticket is not None and ticket[:2] == (giver, given) and now_ns > ticket[2] > 0:
            self._ticket = (*ticket[:2], 0)
            return False
        return super()._good(giver, given, now_ns if ticket is None or ticket[2] else 0)


def _takers(vow: Vow) -> list[str]:
    return [name for name, action in vow.actions.items() if action.takes_ticket is not None]


@sessions.device("wire.ticket action.*.ticket", lambda vow: len(_takers(vow)) > 1)
class TicketAnyForLastAction(Device):
    """Of the actions that take a ticket the last, which was added later, looks only at the ticket's form."""

    taker = ""

    def _act(self, request: Request, now_ns: int) -> Answer:
        self.taker = request.name
        return super()._act(request, now_ns)

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        return self.taker == _takers(self.vow)[-1] or super()._good(giver, given, now_ns)


@sessions.device("wire.once action.*.repeat")
class OnceNotWithCheck(Device):
    """What is remembered has lost its check, and is compared with a line that has one: it is never the
    same."""

    def _same(self, remembered: bytes, line: bytes) -> bool:
        return _unchecked(remembered) == line


@sessions.device("wire.once")
class OnceClearedByBlankLine(Device):
    """A blank line begins a session, as when a host opens the port, and what is remembered is cleared."""

    def receive(self, data: bytes, now_ns: int) -> None:
        for piece in data.splitlines(keepends=True):
            if not piece.strip() and piece.endswith(b"\n") and not self._framer._begun:
                self._remembered = None
            super().receive(piece, now_ns)


# ---------------------------------------------------------------------------------------------- eighth round


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketGuessedWithoutEnd(Device):
    """Wrong tickets are not counted: whoever tries all numbers finds the right one."""

    def _miss(self) -> None:
        pass


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketVoidAfterFourMisses(Device):
    """The misses of a ticket are counted from nought: it takes a fourth."""

    def _give(self, action: ActionEntry, now_ns: int) -> str:
        ticket = super()._give(action, now_ns)
        self.misses = -1
        return ticket


@sessions.device("wire.ticket action.*.ticket", gives_ticket)
class TicketMissesOfTheOneBefore(Device):
    """A newer ticket begins with the misses of the one before it."""

    def _give(self, action: ActionEntry, now_ns: int) -> str:
        misses = self.misses
        ticket = super()._give(action, now_ns)
        self.misses = misses
        return ticket


@sessions.device(
    "wire.ticket wire.atomic action.*.ticket", lambda vow: gives_ticket(vow) and "local" in vow.parts
)
class TicketUsedUpByBusy(Device):
    """The ticket is struck out when it is compared, before it is known whether the front panel has
    control."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "busy" and self.vow.actions[request.name].takes_ticket is not None:
            self._ticket = None
        return ok, words


@sessions.device("wire.once")
class OnceBySum(Device):
    """Of the request before, the tag and the sum of the bytes are remembered: exchanged digits are the
    same."""

    def _same(self, remembered: bytes, line: bytes) -> bool:
        tags = [each.partition(b" ")[0] for each in (remembered, line)]
        return tags[0] == tags[1] and sum(remembered) & 0xFF == sum(line) & 0xFF


@sessions.device(
    "wire.guard wire.boot", lambda vow: any(entry.system == "guard" for entry in vow.points.values())
)
class GuardKeptOverReset(Device):
    """The reset pin leaves the guard on: its flag is in memory that only a loss of power clears."""

    def boot(self, cause: str, now_ns: int) -> None:
        kept = self.guard and cause == "reset"
        super().boot(cause, now_ns)
        self._set_guard(kept)


@sessions.device("wire.check", lambda vow: any(state.energised for state in vow.states.values()))
class CheckNotComparedInOperation(Device):
    """While energised the check is taken off the line and not compared, to save the time."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = _CHECKED.fullmatch(line)
        if parsed != Malformed("check") or found is None or not self.vow.states[self.state].energised:
            return parsed
        parsed = super()._parse(found[1])
        return parsed._replace(checked=True) if isinstance(parsed, Request) else parsed


_SECOND_NS = 1_000_000_000


@sessions.device("wire.ticket action.*.ticket", _outlives_ticket)
class TicketAgeInWholeSeconds(Device):
    """The age of a ticket is cut to whole seconds, so that it is good for most of a second too long."""

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        over_ns = now_ns - self._ticket[2] if self._ticket is not None else 0
        return super()._good(giver, given, now_ns - over_ns if 0 < over_ns < _SECOND_NS else now_ns)
