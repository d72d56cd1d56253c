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

sessions = Kind("sessions", seen=66)

_CHECKED = re.compile(rb"(.*) ~([0-9A-Fa-f]{4})")


def gives_ticket(vow: Vow) -> bool:
    """Some action gives out a ticket."""
    return any(action.gives_ticket_ns is not None for action in vow.actions.values())


def _reboots(vow: Vow) -> bool:
    return any(effect == "reboot" for action in vow.actions.values() for effect, _ in action.does)


# -------------------------------------------------------------------------------------------------- the check


@sessions.device(
    "check-not-compared",
    "The check is taken off the line and not compared.",
    breaks="wire.check",
    depth=1,
)
class CheckNotCompared(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = _CHECKED.fullmatch(line)
        if parsed == Malformed("check") and found is not None:
            parsed = super()._parse(found[1])
            return parsed._replace(checked=True) if isinstance(parsed, Request) else parsed
        return parsed


@sessions.device(
    "check-low-byte-only",
    "Of the check only the last two digits are compared: the sum is kept in one byte.",
    breaks="wire.check",
    depth=1,
)
class CheckLowByteOnly(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = _CHECKED.fullmatch(line)
        if parsed != Malformed("check") or found is None:
            return parsed
        if crc_hqx(found[1], 0xFFFF) & 0xFF != int(found[2][2:], 16):
            return parsed
        parsed = super()._parse(found[1])
        return parsed._replace(checked=True) if isinstance(parsed, Request) else parsed


@sessions.device(
    "check-in-small-letters",
    "The check is read in small letters as well.",
    breaks="wire.syntax",
    depth=1,
)
class CheckInSmallLetters(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        found = _CHECKED.fullmatch(line)
        return super()._parse(line if found is None else found[1] + b" ~" + found[2].upper())


@sessions.device(
    "check-without-tag",
    "The sum begins behind the tag, so that a tagged line with a right check is refused.",
    breaks="wire.check",
    depth=1,
)
class CheckWithoutTag(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        tagged = isinstance(parsed, Request) and parsed.checked and parsed.tag is not None
        return Malformed("check") if tagged else parsed


@sessions.device(
    "check-missing-on-refusal",
    "Refusals leave without a check.",
    breaks="wire.echo_check",
    depth=1,
)
class CheckMissingOnRefusal(Device):
    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply if reply.ok else reply._replace(checked=False))


@sessions.device(
    "check-missing-when-not-asked",
    "A request without a check is answered without one, guard or not.",
    breaks="wire.echo_check",
    depth=2,
)
class CheckMissingWhenNotAsked(Device):
    asked = False

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        self.asked = isinstance(parsed, Request) and parsed.checked
        return parsed

    def _answer(self, reply: Reply) -> bytes:
        return super()._answer(reply._replace(checked=reply.checked and self.asked))


# -------------------------------------------------------------------------------------------------- the guard


@sessions.device(
    "guard-by-put-only",
    "A checked request does not turn the guard on; only putting it does.",
    breaks="wire.guard",
    depth=2,
)
class GuardByPutOnly(Device):
    putting = False

    def _set_guard(self, on: bool) -> None:
        super()._set_guard(on and self.putting)

    def _put(self, request: Request, now_ns: int) -> Answer:
        self.putting = True
        answer = super()._put(request, now_ns)
        self.putting = False
        return answer


@sessions.device(
    "guard-on-by-refused",
    "A checked request turns the guard on even if it is refused.",
    breaks="wire.guard",
    depth=2,
)
class GuardOnByRefused(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        if not ok and request.checked:
            self._set_guard(True)
        return ok, words


@sessions.device(
    "guard-lets-actions-through",
    "The guard is asked for `put` only.",
    breaks="wire.guard",
    depth=2,
)
class GuardLetsActionsThrough(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        if request.verb == "act" and self.guard and not request.checked:
            return self._act(request, now_ns)
        return super()._do(request, now_ns)


@sessions.device(
    "guard-stops-asking",
    "The guard refuses unchecked questions too.",
    breaks="wire.guard",
    depth=2,
)
class GuardStopsAsking(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        if self.guard and not request.checked:
            return False, ("check",)
        return super()._do(request, now_ns)


@sessions.device(
    "guard-opened-unchecked",
    "The request that turns the guard off is let through without a check.",
    breaks="wire.guard",
    depth=2,
)
class GuardOpenedUnchecked(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if request.verb == "put" and entry is not None and entry.system == "guard":
            return self._put(request, now_ns)
        return super()._do(request, now_ns)


@sessions.device(
    "guard-kept-over-boot",
    "The guard stays on over a boot that was asked for: its flag is in memory that is not cleared.",
    breaks="wire.guard",
    depth=2,
    applies=_reboots,
)
class GuardKeptOverBoot(Device):
    def boot(self, cause: str, now_ns: int) -> None:
        guard = self.guard
        super().boot(cause, now_ns)
        if cause == "request" and guard:
            self._set_guard(True)


@sessions.device(
    "guard-lost-by-overlong-line",
    "A line that is too long runs over the flag of the guard behind the buffer.",
    breaks="wire.guard",
    depth=3,
)
class GuardLostByOverlongLine(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if isinstance(line, Overlong):
            self._set_guard(False)


@sessions.device(
    "guard-lost-by-trip",
    "A trip resets the session, guard and all.",
    breaks="wire.guard",
    depth=2,
    rig=True,
    applies=lambda vow: bool(vow.trips),
)
class GuardLostByTrip(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self._set_guard(False)


# ----------------------------------------------------------------------------------------------- exactly once


@sessions.device(
    "once-done-again",
    "A request repeated with its tag is done again.",
    breaks="wire.once action.*.repeat",
    depth=2,
)
class OnceDoneAgain(Device):
    def _same(self, remembered: bytes, line: bytes) -> bool:
        return False


@sessions.device(
    "once-by-tag-alone",
    "A request with the tag of the one before is taken for its repetition, whatever it says.",
    breaks="wire.once",
    depth=2,
)
class OnceByTagAlone(Device):
    def _same(self, remembered: bytes, line: bytes) -> bool:
        return remembered.partition(b" ")[0] == line.partition(b" ")[0]


@sessions.device(
    "once-kept-over-untagged",
    "A request without a tag leaves what is remembered, so that an older one is taken for repeated.",
    breaks="wire.once",
    depth=3,
)
class OnceKeptOverUntagged(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        remembered = self._remembered
        super().line(line, now_ns)
        self._remembered = self._remembered or remembered


@sessions.device(
    "once-cleared-by-noise",
    "A line that is not understood clears what is remembered.",
    breaks="wire.once",
    depth=3,
)
class OnceClearedByNoise(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if isinstance(parsed, Malformed):
            self._remembered = None
        return parsed


@sessions.device(
    "once-not-for-asking",
    "Answers to `ask` are not remembered.",
    breaks="wire.once",
    depth=2,
)
class OnceNotForAsking(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self._remembered is not None and b"ask " in self._remembered[0]:
            self._remembered = None


@sessions.device(
    "once-not-for-refusals",
    "Refusals are not remembered: repeated, the request may be done.",
    breaks="wire.once",
    depth=3,
)
class OnceNotForRefusals(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self._remembered is not None and b"refuse " in self._remembered[1]:
            self._remembered = None


@sessions.device(
    "once-kept-over-boot",
    "What is remembered outlives a boot: the request for the boot, repeated, is answered and not done.",
    breaks="wire.once",
    depth=2,
    applies=_reboots,
)
class OnceKeptOverBoot(Device):
    def reboot(self, now_ns: int) -> None:
        remembered = self._remembered
        super().reboot(now_ns)
        self._remembered = remembered


@sessions.device(
    "once-feeds-the-watchdog",
    "A stored answer given again ends the host's silence.",
    breaks="wire.watchdog wire.once",
    depth=3,
    applies=lambda vow: any(entry.system == "silence" for entry in vow.points.values()),
)
class OnceFeedsTheWatchdog(Device):
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


@sessions.device(
    "ticket-any",
    "Any four digits pass for the ticket.",
    breaks="wire.ticket action.*.ticket",
    depth=2,
    applies=gives_ticket,
)
class TicketAny(Device):
    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        return True


@sessions.device(
    "ticket-in-capitals",
    "A ticket may be written in capitals.",
    breaks="wire.reasons action.*.ticket",
    depth=1,
    applies=gives_ticket,
)
class TicketInCapitals(Device):
    def _wrong_arguments(self, action: ActionEntry, arguments: tuple[str, ...]) -> tuple[str, ...] | None:
        return super()._wrong_arguments(action, tuple(word.lower() for word in arguments))


@sessions.device(
    "ticket-older-stays-good",
    "A newer ticket does not make the older ones void.",
    breaks="wire.ticket action.*.ticket",
    depth=3,
    applies=gives_ticket,
)
class TicketOlderStaysGood(Device):
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


@sessions.device(
    "ticket-used-is-good-again",
    "A ticket that was used is not struck out: it passes once more beside the newest.",
    breaks="wire.ticket action.*.ticket",
    depth=5,
    applies=gives_ticket,
)
class TicketUsedIsGoodAgain(Device):
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


@sessions.tables(
    "ticket-everlasting",
    "The time of a ticket is forgotten: it stays good for as long as the state waits for it.",
    breaks="wire.ticket action.*.ticket",
    depth=2,
    applies=_outlives_ticket,
)
def ticket_everlasting(vow: Vow) -> Vow:
    for action in vow.actions.values():
        if action.gives_ticket_ns is not None:
            vow = with_action(vow, action.name, gives_ticket_ns=1 << 62)
    return vow


@sessions.tables(
    "ticket-half-its-time",
    "The time of a ticket is counted on a timer that runs twice as fast.",
    breaks="wire.ticket action.*.ticket",
    depth=2,
    applies=gives_ticket,
)
def ticket_half_its_time(vow: Vow) -> Vow:
    for action in vow.actions.values():
        if action.gives_ticket_ns is not None:
            vow = with_action(vow, action.name, gives_ticket_ns=action.gives_ticket_ns // 2)
    return vow


@sessions.device(
    "ticket-same-after-boot",
    "The tickets are the same after every boot, so that one of the session before may pass.",
    breaks="wire.ticket",
    depth=4,
    applies=lambda vow: gives_ticket(vow) and _reboots(vow),
)
class TicketSameAfterBoot(Device):
    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self._tickets = 0

    def _drawn(self) -> str:
        store = self.store
        self.store = replace(store, boots=0)
        ticket = super()._drawn()
        self.store = store
        return ticket


@sessions.device(
    "ticket-unlocked-by-depth",
    "Once the farthest state has been visited, tickets are no longer compared: a flag is not taken back.",
    breaks="wire.ticket action.*.ticket",
    depth=6,
    applies=lambda vow: gives_ticket(vow) and farthest(vow) is not None,
)
class TicketUnlockedByDepth(Device):
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


@sessions.device(
    "once-by-length",
    "A request is taken for the one before if tag and length are the same: the rest is not compared.",
    breaks="wire.once",
    depth=2,
)
class OnceByLength(Device):
    def _same(self, remembered: bytes, line: bytes) -> bool:
        return len(remembered) == len(line) and remembered.split(b" ")[0] == line.split(b" ")[0]


@sessions.device(
    "once-overwritten-by-notice",
    "The remembered reply lies where a notice is put together, and is lost with one.",
    breaks="wire.once",
    depth=2,
    rig=True,
    applies=lambda vow: "local" in vow.parts and "notices" in vow.parts,
)
class OnceOverwrittenByNotice(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        self._remembered = None


@sessions.device(
    "ticket-for-the-next-line-only",
    "A ticket is good for the next request only.",
    breaks="wire.ticket action.*.ticket",
    depth=3,
    applies=gives_ticket,
)
class TicketForTheNextLineOnly(Device):
    def _ask(self, request: Request, now_ns: int) -> Answer:
        self._ticket = None
        return super()._ask(request, now_ns)


@sessions.device(
    "guard-ends-with-silence",
    "The guard is given up when nothing was said for a minute.",
    breaks="wire.guard",
    depth=2,
)
class GuardEndsWithSilence(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if self.guard and now_ns - self.accepted_ns > 60_000_000_000:
            self._set_guard(False)
        super().line(line, now_ns)


@sessions.device(
    "check-of-reply-without-tag",
    "The sum of a reply begins behind its tag.",
    breaks="wire.echo_check wire.check",
    depth=1,
)
class CheckOfReplyWithoutTag(Device):
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
    "check-begins-at-zero",
    "The sum of a notice begins at zero, not at all ones.",
    breaks="wire.echo_check wire.check wire.notice.whole",
    depth=1,
    applies=lambda vow: (
        "notices" in vow.parts
        and any(leave.when is None for state in vow.states.values() for leave in state.leaves)
    ),
)
class CheckBeginsAtZero(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        before = len(self.output)
        super().notify(event, words)
        line = bytes(self.output[before:])
        if self.guard and line and not self.blocked:
            body = line[: -len(b" ~0000\n")]
            self.output[before:] = body + b" ~%04X\n" % crc_hqx(body, 0)


@sessions.device(
    "guard-lost-with-notices-off",
    "Guard and notices are bits of one byte: turning notices off writes the whole byte.",
    breaks="wire.guard",
    depth=2,
    applies=lambda vow: any(entry.system == "notices" for entry in vow.points.values()),
)
class GuardLostWithNoticesOff(Device):
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


@sessions.device(
    "ticket-void-after-refusal",
    "A wrong ticket makes the right one void as well.",
    breaks="wire.ticket action.*.ticket",
    depth=3,
    applies=gives_ticket,
)
class TicketVoidAfterRefusal(Device):
    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        good = super()._good(giver, given, now_ns)
        if not good:
            self._ticket = None
        return good


@sessions.device(
    "once-for-equal-tags-in-number",
    "Tags are compared as numbers: @1 and @01 are one, if the rest is the same.",
    breaks="wire.once wire.tag",
    depth=2,
)
class OnceForEqualTagsInNumber(Device):
    def _same(self, remembered: bytes, line: bytes) -> bool:
        tag, _, rest = line.partition(b" ")
        old, _, before = remembered.partition(b" ")
        return rest == before and int(tag[1:], 16) == int(old[1:], 16)


# ------------------------------------------------------------------------------------------------ third round


@sessions.device(
    "guard-refuses-once",
    "The guard refuses an unchecked request once; asked again, it is done.",
    breaks="wire.guard",
    depth=3,
)
class GuardRefusesOnce(Device):
    last: Request | None = None

    def _do(self, request: Request, now_ns: int) -> Answer:
        again = self.guard and request == self.last and request.verb == "put"
        self.last = request
        return self._put(request, now_ns) if again else super()._do(request, now_ns)


@sessions.device(
    "once-for-ten-seconds",
    "What is remembered is forgotten after ten seconds.",
    breaks="wire.once",
    depth=2,
)
class OnceForTenSeconds(Device):
    remembered_ns = 0

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if now_ns - self.remembered_ns > 10_000_000_000:
            self._remembered = None
        self.remembered_ns = now_ns
        super().line(line, now_ns)


@sessions.device(
    "check-once-more-after-guard",
    "The reply after the guard was turned off still has a check.",
    breaks="wire.echo_check wire.guard",
    depth=3,
)
class CheckOnceMoreAfterGuard(Device):
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


@sessions.device(
    "ticket-keeps-old-time",
    "A newer ticket ends when the one before it would have.",
    breaks="wire.ticket action.*.ticket",
    depth=3,
    applies=gives_ticket,
)
class TicketKeepsOldTime(Device):
    def _give(self, action: ActionEntry, now_ns: int) -> str:
        before = self._ticket
        given = super()._give(action, now_ns)
        if before is not None and self._ticket is not None and now_ns <= before[2]:
            self._ticket = (*self._ticket[:2], before[2])
        return given


# ----------------------------------------------------------------------------------------------- fourth round


@sessions.device(
    "guard-off-answered-unchecked",
    "The reply to the request that turns the guard off has no check: the guard is off by then.",
    breaks="wire.echo_check wire.guard",
    depth=2,
)
class GuardOffAnsweredUnchecked(Device):
    ended = False

    def _do(self, request: Request, now_ns: int) -> Answer:
        was = self.guard
        answer = super()._do(request, now_ns)
        self.ended = was and not self.guard
        return answer

    def _answer(self, reply: Reply) -> bytes:
        ended, self.ended = self.ended, False
        return super()._answer(reply._replace(checked=reply.checked and not ended))


@sessions.device(
    "check-not-compared-for-asking",
    "The check of a question is not compared: a question does no harm.",
    breaks="wire.check",
    depth=1,
)
class CheckNotComparedForAsking(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = _CHECKED.fullmatch(line)
        if parsed == Malformed("check") and found is not None:
            bare = super()._parse(found[1])
            if isinstance(bare, Request) and bare.verb == "ask":
                return bare._replace(checked=True)
        return parsed


# ------------------------------------------------------------------------------------------------ fifth round


@sessions.device(
    "stop-let-through-unguarded",
    "The action that is always done is done without a check too while the guard is on.",
    breaks="wire.guard",
    depth=2,
    applies=lambda vow: any(action.always for action in vow.actions.values()),
)
class StopLetThroughUnguarded(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        if request.verb == "act" and action is not None and action.always:
            return self._act(request, now_ns)
        return super()._do(request, now_ns)


@sessions.device(
    "guard-on-by-part",
    "A part of a record sets the flag for its check, and that flag turns the guard on.",
    breaks="wire.guard",
    depth=2,
    applies=lambda vow: any(entry.record is not None for entry in vow.points.values()),
)
class GuardOnByPart(Device):
    def _bulk(self, request: Request, ok: bool) -> bool:
        bulk = super()._bulk(request, ok)
        if bulk:
            self._set_guard(True)
        return bulk


@sessions.device(
    "once-compared-over-24",
    "What is remembered of a request are its first 24 bytes; a longer one is compared as far as they go.",
    breaks="wire.once",
    depth=2,
)
class OnceComparedOver24(Device):
    def _same(self, remembered: bytes, line: bytes) -> bool:
        return remembered[:24] == line[:24]


@sessions.device(
    "once-cleared-by-missing-check",
    "A request that is refused because its check is missing clears what is remembered.",
    breaks="wire.once",
    depth=3,
)
class OnceClearedByMissingCheck(Device):
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


@sessions.device(
    "once-lost-in-discarded-line",
    "A line that is discarded for its idle time takes what is remembered with it: one routine clears both.",
    breaks="wire.once",
    depth=3,
)
class OnceLostInDiscardedLine(Device):
    framer = _Dropping

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data, now_ns)
        assert isinstance(self._framer, _Dropping)
        if self._framer.dropped:
            self._framer.dropped = False
            self._remembered = None


@sessions.device(
    "ticket-kept-alive-by-lines",
    "Every request starts the ticket's time afresh, as it does the host's silence.",
    breaks="wire.ticket action.*.ticket",
    depth=3,
    applies=gives_ticket,
)
class TicketKeptAliveByLines(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        if self._ticket is not None and now_ns <= self._ticket[2]:
            giver, ticket, _ = self._ticket
            self._ticket = (giver, ticket, now_ns + (self.vow.actions[giver].gives_ticket_ns or 0))
        return super()._do(request, now_ns)


@sessions.device(
    "ticket-without-leading-zeros",
    "A ticket is printed without its leading zeros, so that one in sixteen is too short to be given back.",
    breaks="wire.ticket action.*.ticket",
    depth=44,
    applies=gives_ticket,
)
class TicketWithoutLeadingZeros(Device):
    def _give(self, action: ActionEntry, now_ns: int) -> str:
        return f"{int(super()._give(action, now_ns), 16):x}"


# ------------------------------------------------------------------------------------------------ sixth round


@sessions.device(
    "once-for-untagged-actions",
    "An action that comes twice is done once, also when it has no tag: what is remembered is the line.",
    breaks="wire.once",
    depth=3,
    applies=lambda vow: any(("save", "") in action.does for action in vow.actions.values()),
)
class OnceForUntaggedActions(Device):
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


@sessions.device(
    "once-remembers-two",
    "The last two requests are remembered, so that the one before the last, sent again, is not done.",
    breaks="wire.once",
    depth=3,
)
class OnceRemembersTwo(Device):
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


@sessions.device(
    "guard-on-by-wrong-check",
    "The flag that turns the guard on is set where a check is found, before it is compared.",
    breaks="wire.guard wire.check",
    depth=2,
)
class GuardOnByWrongCheck(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if parsed == Malformed("check"):
            self._set_guard(True)
        return parsed


@sessions.device(
    "ticket-first-half-only",
    "Of a ticket the first two digits are compared: the length given is that in bytes.",
    breaks="wire.ticket action.*.ticket",
    depth=2,
    applies=gives_ticket,
)
class TicketFirstHalfOnly(Device):
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


@sessions.device(
    "check-of-zeros-passes",
    "A check of four zeros passes: it says that none was worked out, as in an older protocol.",
    breaks="wire.check",
    depth=1,
)
class CheckOfZerosPasses(_Lenient):
    def lets_through(self, line: bytes) -> bool:
        return line.endswith(b" ~0000")


@sessions.device(
    "check-not-compared-once-guarded",
    "While the guard is on it is enough that there is a check; compared is only the one that turns it on.",
    breaks="wire.check wire.guard",
    depth=2,
)
class CheckNotComparedOnceGuarded(_Lenient):
    def lets_through(self, line: bytes) -> bool:
        return self.guard


@sessions.device(
    "digits-free-after-check",
    "The flag that lets a checked number have fewer digits is taken back when the next line has been done.",
    breaks="wire.exact wire.unit",
    depth=2,
    applies=lambda vow: any(entry.scale is not None and entry.scale.digits > 0 for entry in vow.settings),
)
class DigitsFreeAfterCheck(Device):
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


@sessions.device(
    "ticket-late-passes-second-time",
    "A ticket that is too late is refused, and its time set to zero, which means no end: then it passes.",
    breaks="wire.ticket action.*.ticket",
    depth=3,
    applies=_outlives_ticket,
)
class TicketLatePassesSecondTime(Device):
    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        ticket = self._ticket
        if ticket is not None and ticket[:2] == (giver, given) and now_ns > ticket[2] > 0:
            self._ticket = (*ticket[:2], 0)
            return False
        return super()._good(giver, given, now_ns if ticket is None or ticket[2] else 0)


def _takers(vow: Vow) -> list[str]:
    return [name for name, action in vow.actions.items() if action.takes_ticket is not None]


@sessions.device(
    "ticket-any-for-last-action",
    "Of the actions that take a ticket the last, which was added later, looks only at the ticket's form.",
    breaks="wire.ticket action.*.ticket",
    depth=2,
    applies=lambda vow: len(_takers(vow)) > 1,
)
class TicketAnyForLastAction(Device):
    taker = ""

    def _act(self, request: Request, now_ns: int) -> Answer:
        self.taker = request.name
        return super()._act(request, now_ns)

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        return self.taker == _takers(self.vow)[-1] or super()._good(giver, given, now_ns)


@sessions.device(
    "once-not-with-check",
    "What is remembered has lost its check, and is compared with a line that has one: it is never the same.",
    breaks="wire.once action.*.repeat",
    depth=2,
)
class OnceNotWithCheck(Device):
    def _same(self, remembered: bytes, line: bytes) -> bool:
        return _unchecked(remembered) == line


@sessions.device(
    "once-cleared-by-blank-line",
    "A blank line begins a session, as when a host opens the port, and what is remembered is cleared.",
    breaks="wire.once",
    depth=3,
)
class OnceClearedByBlankLine(Device):
    def receive(self, data: bytes, now_ns: int) -> None:
        for piece in data.splitlines(keepends=True):
            if not piece.strip() and piece.endswith(b"\n") and not self._framer._begun:
                self._remembered = None
            super().receive(piece, now_ns)


# ---------------------------------------------------------------------------------------------- eighth round


@sessions.device(
    "ticket-guessed-without-end",
    "Wrong tickets are not counted: whoever tries all numbers finds the right one.",
    breaks="wire.ticket action.*.ticket",
    depth=5,
    applies=gives_ticket,
)
class TicketGuessedWithoutEnd(Device):
    def _miss(self) -> None:
        pass


@sessions.device(
    "ticket-void-after-four-misses",
    "The misses of a ticket are counted from nought: it takes a fourth.",
    breaks="wire.ticket action.*.ticket",
    depth=5,
    applies=gives_ticket,
)
class TicketVoidAfterFourMisses(Device):
    def _give(self, action: ActionEntry, now_ns: int) -> str:
        ticket = super()._give(action, now_ns)
        self.misses = -1
        return ticket


@sessions.device(
    "ticket-misses-of-the-one-before",
    "A newer ticket begins with the misses of the one before it.",
    breaks="wire.ticket action.*.ticket",
    depth=6,
    applies=gives_ticket,
)
class TicketMissesOfTheOneBefore(Device):
    def _give(self, action: ActionEntry, now_ns: int) -> str:
        misses = self.misses
        ticket = super()._give(action, now_ns)
        self.misses = misses
        return ticket


@sessions.device(
    "ticket-used-up-by-busy",
    "The ticket is struck out when it is compared, before it is known whether the front panel has control.",
    breaks="wire.ticket wire.atomic action.*.ticket",
    depth=3,
    rig=True,
    applies=lambda vow: gives_ticket(vow) and "local" in vow.parts,
)
class TicketUsedUpByBusy(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "busy" and self.vow.actions[request.name].takes_ticket is not None:
            self._ticket = None
        return ok, words


@sessions.device(
    "once-by-sum",
    "Of the request before, the tag and the sum of the bytes are remembered: exchanged digits are the same.",
    breaks="wire.once",
    depth=2,
)
class OnceBySum(Device):
    def _same(self, remembered: bytes, line: bytes) -> bool:
        tags = [each.partition(b" ")[0] for each in (remembered, line)]
        return tags[0] == tags[1] and sum(remembered) & 0xFF == sum(line) & 0xFF


@sessions.device(
    "guard-kept-over-reset",
    "The reset pin leaves the guard on: its flag is in memory that only a loss of power clears.",
    breaks="wire.guard wire.boot",
    depth=2,
    rig=True,
    applies=lambda vow: any(entry.system == "guard" for entry in vow.points.values()),
)
class GuardKeptOverReset(Device):
    def boot(self, cause: str, now_ns: int) -> None:
        kept = self.guard and cause == "reset"
        super().boot(cause, now_ns)
        self._set_guard(kept)


@sessions.device(
    "check-not-compared-in-operation",
    "While energised the check is taken off the line and not compared, to save the time.",
    breaks="wire.check",
    depth=3,
    applies=lambda vow: any(state.energised for state in vow.states.values()),
)
class CheckNotComparedInOperation(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = _CHECKED.fullmatch(line)
        if parsed != Malformed("check") or found is None or not self.vow.states[self.state].energised:
            return parsed
        parsed = super()._parse(found[1])
        return parsed._replace(checked=True) if isinstance(parsed, Request) else parsed


_SECOND_NS = 1_000_000_000


@sessions.device(
    "ticket-age-in-whole-seconds",
    "The age of a ticket is cut to whole seconds, so that it is good for most of a second too long.",
    breaks="wire.ticket action.*.ticket",
    depth=2,
    applies=_outlives_ticket,
)
class TicketAgeInWholeSeconds(Device):
    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        over_ns = now_ns - self._ticket[2] if self._ticket is not None else 0
        return super()._good(giver, given, now_ns - over_ns if 0 < over_ns < _SECOND_NS else now_ns)
