"""Switches, counts and notices that wait, of instruments that get one thing about them wrong."""

from __future__ import annotations

import pytest

from tests.protocol.conformance.instruments import vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import PURPOSES
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.message import LAST_NOTICE, Malformed, Reply, Request
from wirevow.protocol.vow import ActionEntry, LeaveEntry, PointEntry, TripEntry, Value

NS_PER_S = 10**9


class DropsInAByte(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        self.drops %= 256


class NumbersOfThreeDigits(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        self._number %= 999
        super().notify(event, words)


class NumbersFromNought(Device):
    """After the last number comes none."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if self._number == LAST_NOTICE:
            self._number = -1
        super().notify(event, words)


class BootsInAByte(Device):
    def boot(self, cause: str, now_ns: int) -> None:
        self.store.boots %= 255
        super().boot(cause, now_ns)


class BootsChecked(Device):
    """What the guard was is asked after a boot as well, for its notice."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.was = self.guard
        super().boot(cause, now_ns)

    was = False

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        guard = self.guard
        self.guard = self.was if event == "boot" else guard
        super().notify(event, words)
        self.guard = guard


class StatesUnchecked(Device):
    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        guard, self.guard = self.guard, False
        super().leave(leave, now_ns)
        self.guard = guard


class StatesLostInAStall(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event != "state" or not self.blocked:
            super().notify(event, words)


class TripsJumpTheQueue(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        if event == "trip" and self.waiting:
            self.waiting.rotate(1)


class TripsEmptyTheQueue(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        self.waiting.clear()
        super().fire(trip, value, now_ns)


class WaitsIn256Bytes(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words)
        while sum(map(len, self.waiting)) > 256:
            self.waiting.popleft()


class ControlRestartsTime(Device):
    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        self.entered_ns = now_ns


class TimeGivesControlBack(Device):
    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        super().leave(leave, now_ns)
        self.controller = "remote"


class OffEmptiesTheQueue(Device):
    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        if (entry.system, value) == ("notices", "off"):
            self.waiting.clear()


class OnEmptiesTheQueue(Device):
    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        if (entry.system, value) == ("notices", "on"):
            self.waiting.clear()


class RepeatsOvertake(Device):
    def _repeat(self, answer: bytes) -> None:
        self.output += answer


class RefusalsOvertake(Device):
    """Lines that are not understood are answered at once."""

    def _answer(self, reply: Reply) -> bytes:
        if reply.words[:1] not in (("length",), ("syntax",)):
            return super()._answer(reply)
        line = reply.line() + b"\n"
        self.output += line
        return line


class OffTakesNoNumbersAtThePanel(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if self.notices or event != "local":
            super().notify(event, words)


class TripsTurnNoticesOn(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self.notices = True


class StartsTurnNoticesOn(Device):
    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        self.notices = self.notices or action.takes_ticket is not None
        return super()._perform(action, target, now_ns)


class AskingZeroesDrops(Device):
    def _ask(self, request: Request, now_ns: int) -> Answer:
        answer = super()._ask(request, now_ns)
        if request.name == "link.drops":
            self.drops = 0
        return answer


class KeepsNoTripUntold(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        before = self.last_trip
        super().fire(trip, value, now_ns)
        if not self.notices:
            self.last_trip = before


class TakesAnyWordForOff(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        answer = super()._put(request, now_ns)
        if request.name == "link.guard" and answer[1] == ("type", "choice"):
            self._set_guard(False)
        return answer


class SwitchesWhileBusy(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        answer = super()._put(request, now_ns)
        if request.name == "link.guard" and answer[1][0] == "busy":
            self._set_guard(request.arguments[0] == "on")
        return answer


class EachStallCountsAnew(Device):
    was = False

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if self.blocked and not self.was:
            self.drops = 0
        self.was = self.blocked
        super().notify(event, words)


class SaysAllWhileEnergised(Device):
    def notify(self, event: str, words: tuple[str, ...]) -> None:
        switch = self.notices
        self.notices = switch or self.vow.states[self.state].energised
        super().notify(event, words)
        self.notices = switch


class NeedsNoCheckWhileEnergised(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        guard = self.guard
        self.guard = guard and not self.vow.states[self.state].energised
        answer = super()._do(request, now_ns)
        self.guard = self.guard or guard
        return answer


class ObeysWhileEnergised(Device):
    def _busy(self) -> bool:
        return super()._busy() and not self.vow.states[self.state].energised


class StopsNotWhileEnergised(Device):
    """Not even what is always done, while the panel has control."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        if self._busy() and self.vow.states[self.state].energised:
            return False, ("busy", "local")
        return super()._act(request, now_ns)


class RemembersNothingWhileEnergised(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self.vow.states[self.state].energised:
            self._remembered = None


class RemembersNoGuardedActions(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self.guard and self._remembered is not None and b"act" in self._remembered[0]:
            self._remembered = None


class DoesBeforeItLooks(Device):
    """What an action does is done before the panel, the check or the arguments are looked at."""

    reason = "busy"

    def _do(self, request: Request, now_ns: int) -> Answer:
        answer = super()._do(request, now_ns)
        action = self.vow.actions.get(request.name)
        if request.verb == "act" and action is not None and answer[1][:1] == (self.reason,):
            for effect, what in action.does:
                self._effect(effect, what, now_ns)
        return answer


class DoesBeforeItChecks(DoesBeforeItLooks):
    reason = "check"


class DoesBeforeItReads(DoesBeforeItLooks):
    reason = "type"


class PutsWhileBusy(Device):
    """The refusal comes too late."""

    def _busy(self) -> bool:
        return False

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        self.put = True

    put = False

    def _put(self, request: Request, now_ns: int) -> Answer:
        self.put = False
        answer = super()._put(request, now_ns)
        return (False, ("busy", "local")) if self.put and self.controller == "local" else answer


class BusyBeforeAccess(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        answer = super()._put(request, now_ns)
        return (False, ("busy", "local")) if self._busy() and answer[1][:1] == ("access",) else answer


class LongLinesRunOver(Device):
    """Settings lie behind the line."""

    def _refuse_overlong(self, line: Overlong) -> Reply:
        self.settings["swing.high"] = 0x7878 % 6000
        return super()._refuse_overlong(line)


class TripsMakePatient(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self._framer.idle_ns = self._wire.idle_typing


class KeepsCountsOverResets(Device):
    def boot(self, cause: str, now_ns: int) -> None:
        captures = self.captures
        super().boot(cause, now_ns)
        self.captures = captures if cause == "reset" else 0


class KeepsTheTripOverResets(Device):
    def boot(self, cause: str, now_ns: int) -> None:
        told = self.last_trip
        super().boot(cause, now_ns)
        self.last_trip = told if cause == "reset" else ("none",)


class ForgetsWhatItHasToSay(Device):
    """What has not been sent when a boot is asked for is lost, but for the last line."""

    def reboot(self, now_ns: int) -> None:
        self.output[:] = self.output.splitlines(keepends=True)[-1]
        super().reboot(now_ns)


class SecondsIn16Bits(Device):
    def _elapsed(self, entry: PointEntry, ns: int) -> int:
        return super()._elapsed(entry, ns % (NS_PER_S << 16))


class MillisecondsIn32Bits(Device):
    def _elapsed(self, entry: PointEntry, ns: int) -> int:
        return super()._elapsed(entry, ns % (1_000_000 << 32))


class SilenceIn16Bits(Device):
    def _elapsed(self, entry: PointEntry, ns: int) -> int:
        return super()._elapsed(entry, ns % (NS_PER_S << 16) if entry.system == "silence" else ns)


class IdleOf32Bits(Framer):
    """How long a line has been silent is counted in 32 bits of milliseconds."""

    def feed(self, data: bytes, now_ns: int) -> list[bytes | Overlong]:
        self._last_ns = max(self._last_ns, now_ns - (now_ns - self._last_ns) % (1_000_000 << 32))
        return super().feed(data, now_ns)


class IdlesIn32Bits(Device):
    framer = IdleOf32Bits


class ActionsDoNotFeed(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        before = self.accepted_ns
        super().line(line, now_ns)
        if isinstance(line, bytes) and b"act " in line:
            self.accepted_ns = before


class AskingForSilenceIsSilent(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        before = self.accepted_ns
        super().line(line, now_ns)
        if isinstance(line, bytes) and b"link.silence" in line:
            self.accepted_ns = before


class TripsClearWhatIsRemembered(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self._remembered = None


class TripsFeed(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self.accepted_ns = now_ns


class TimeClearsWhatIsRemembered(Device):
    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        super().leave(leave, now_ns)
        self._remembered = None


class RemembersShortReplies(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self._remembered is not None and len(self._remembered[1]) > 40:
            self._remembered = None


class RemembersNoFault(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self._remembered is not None and b"refuse fault" in self._remembered[1]:
            self._remembered = None


class TakesTagsForNumbers(Device):
    """A tag of nothing is none."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self._remembered is not None and int(self._remembered[0].split()[0][1:], 16) == 0:
            self._remembered = None


class GivesTwoTickets(Device):
    def _give(self, action: ActionEntry, now_ns: int) -> str:
        super()._give(action, now_ns)
        assert self._ticket is not None
        ticket = "1a2b" if self._tickets % 2 else "3c4d"
        self._ticket = (action.name, ticket, self._ticket[2])
        return ticket


class ShutGuardVoidsTheTicket(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        answer = super()._act(request, now_ns)
        if answer[1] == ("state", "guard"):
            self._ticket = None
        return answer


class ActionsVoidTheTicket(Device):
    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        super()._effect(effect, what, now_ns)
        self._ticket = None


class RefusedPutsVoidTheTicket(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        answer = super()._put(request, now_ns)
        if not answer[0]:
            self._ticket = None
        return answer


class NoughtIsATicket(Device):
    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        return given == "0000" or super()._good(giver, given, now_ns)


class BusyBeforeTheGuard(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        answer = super()._act(request, now_ns)
        return (False, ("busy", "local")) if self._busy() and answer[1] == ("state", "guard") else answer


class RefusedGiversVoidTheTicket(Device):
    """Where a ticket might be given, the one before is void whatever comes of it."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        answer = super()._do(request, now_ns)
        action = self.vow.actions.get(request.name)
        if action is not None and action.gives_ticket_ns is not None and answer[1][:1] in self.refusals:
            self._ticket = None
        return answer

    refusals: tuple[tuple[str, ...], ...] = (("type",), ("state",))


class BusyGiversVoidTheTicket(RefusedGiversVoidTheTicket):
    refusals = (("busy",),)


class UncheckedGiversVoidTheTicket(RefusedGiversVoidTheTicket):
    refusals = (("check",),)


class RepeatsRenewTheTicket(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        remembered = self._remembered
        if self._ticket is not None and remembered is not None and remembered[0] == line:
            self._ticket = (*self._ticket[:2], now_ns + 5 * NS_PER_S)


class ExpiredIsGoodForSome(Device):
    """What has a guard does not look at the ticket's time."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        guarded = action is not None and action.guard is not None and action.takes_ticket is not None
        return super()._act(request, min(now_ns, self.entered_ns) if guarded else now_ns)


class TripsEndTheGuard(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        if not trip.latched:
            self._set_guard(False)


class BusyClears(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        answer = super()._act(request, now_ns)
        if answer[1][:1] == ("busy",):
            self.latched = None
        return answer


class BusyBeforeDigits(Device):
    def _exact(self, *given: object) -> bool:
        return self._busy() or super()._exact(*given)  # type: ignore[arg-type]


class MissesRenewTheTicket(Device):
    def _miss(self) -> None:
        super()._miss()
        if self._ticket is not None:
            self._ticket = (*self._ticket[:2], self.world.now_ns + 5_000_000_000)


class ChecksShortLinesOnly(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        return Malformed("check") if len(line) > 90 and getattr(parsed, "checked", False) else parsed


class ReadsTagsOfNothingAsNumbers(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if not isinstance(parsed, Malformed) or not parsed.tag:
            return parsed
        return Malformed(parsed.reason, f"@{int(parsed.tag[1:], 16):x}")


class ReadsShortImages(Device):
    def keep(self, image: bytes) -> None:
        super().keep(image if len(image) < 1024 else b"")


@pytest.mark.parametrize(
    ("name", "device"),
    [
        ("notice_queue", DropsInAByte),
        ("notice_number_long", NumbersOfThreeDigits),
        ("numbers_come_round", NumbersFromNought),
        ("boots_past_a_byte", BootsInAByte),
        ("booted", BootsChecked),
        ("waiting_of_every_kind", StatesUnchecked),
        ("waiting_of_every_kind", StatesLostInAStall),
        ("waiting_of_every_kind", TripsJumpTheQueue),
        ("waiting_of_every_kind", TripsEmptyTheQueue),
        ("waiting_of_every_kind", WaitsIn256Bytes),
        ("waiting_of_every_kind", ControlRestartsTime),
        ("waiting_of_every_kind", TimeGivesControlBack),
        ("switched_while_some_wait", OffEmptiesTheQueue),
        ("switched_while_some_wait", OnEmptiesTheQueue),
        ("before_every_reply", RepeatsOvertake),
        ("before_every_reply", RefusalsOvertake),
        ("switches_stay", OffTakesNoNumbersAtThePanel),
        ("switches_stay", TripsTurnNoticesOn),
        ("switches_stay", StartsTurnNoticesOn),
        ("switches_stay", AskingZeroesDrops),
        ("switches_stay", KeepsNoTripUntold),
        ("switches_stay", EachStallCountsAnew),
        ("switches_stay", SaysAllWhileEnergised),
        ("refused_is_not_done", DoesBeforeItLooks),
        ("refused_is_not_done", DoesBeforeItChecks),
        ("refused_is_not_done", DoesBeforeItReads),
        ("refused_is_not_done", PutsWhileBusy),
        ("refused_is_not_done", BusyBeforeAccess),
        ("refused_is_not_done", LongLinesRunOver),
        ("switches_stay", TripsMakePatient),
        ("wherever_it_is", NeedsNoCheckWhileEnergised),
        ("wherever_it_is", ObeysWhileEnergised),
        ("wherever_it_is", StopsNotWhileEnergised),
        ("wherever_it_is", RemembersNothingWhileEnergised),
        ("wherever_it_is", RemembersNoGuardedActions),
        ("refused_switches_stay", TakesAnyWordForOff),
        ("refused_switches_stay", SwitchesWhileBusy),
        ("forgotten_by_every_boot", KeepsCountsOverResets),
        ("forgotten_by_every_boot", KeepsTheTripOverResets),
        ("answered_before_a_boot", ForgetsWhatItHasToSay),
        ("counted_for_days", SecondsIn16Bits),
        ("counted_for_days", MillisecondsIn32Bits),
        ("counted_for_days", SilenceIn16Bits),
        ("counted_for_days", IdlesIn32Bits),
        ("whatever_happens_between", ActionsDoNotFeed),
        ("whatever_happens_between", AskingForSilenceIsSilent),
        ("once_whatever_happens", TripsClearWhatIsRemembered),
        ("once_whatever_happens", TripsFeed),
        ("once_whatever_happens", TimeClearsWhatIsRemembered),
        ("once_whatever_happens", RemembersShortReplies),
        ("once_whatever_happens", RemembersNoFault),
        ("once_whatever_happens", TakesTagsForNumbers),
        ("ticket_and_newer_ones", GivesTwoTickets),
        ("ticket_among_others", ShutGuardVoidsTheTicket),
        ("ticket_among_others", ActionsVoidTheTicket),
        ("ticket_among_others", RefusedPutsVoidTheTicket),
        ("ticket_among_others", NoughtIsATicket),
        ("ticket_among_others", BusyBeforeTheGuard),
        ("ticket_among_others", RefusedGiversVoidTheTicket),
        ("ticket_while_busy", BusyGiversVoidTheTicket),
        ("ticket_through", UncheckedGiversVoidTheTicket),
        ("ticket_through", RepeatsRenewTheTicket),
        ("ticket_through", ExpiredIsGoodForSome),
        ("patience_to_its_step", TripsEndTheGuard),
        ("every_reason", BusyClears),
        ("busy", BusyBeforeDigits),
        ("ticket_through", MissesRenewTheTicket),
        ("length", ChecksShortLinesOnly),
        ("lines", ReadsTagsOfNothingAsNumbers),
        ("another_version", ReadsShortImages),
    ],
)
def test_it_shows_a_device_that(name: str, device: type[Device]) -> None:
    vow = vow_of("tarn")
    (purpose,) = (each for each in PURPOSES if each.work.__name__ == name)
    about = f"{purpose.section}.{purpose.aspect}"
    (requirement,) = (each for each in requirements(vow.document) if each.id == about)
    hands = direct_tester(vow, Instrument(vow, device_class=device))
    hands.acquaint()
    hands.home()
    hands.trying = requirement.id
    with pytest.raises(Broken):
        purpose.work(hands, requirement)
