"""What lies between leaves a good instrument as it was, and shows the ones that it does not."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

import pytest

from tests.protocol.conformance.instruments import hands_on, served, vow_of
from tests.protocol.test_gate import hands_on as within
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import (
    PURPOSES,
    booting,
    crossings,
    framing,
    meddling,
    noticing,
    once,
    refusing,
    saving,
    silence,
    spelling,
    tickets,
)
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.document.requirements import Requirement, requirements
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.message import Malformed, Reply, Request, check_of
from wirevow.protocol.oracle import Oracle
from wirevow.protocol.serialport import open_port
from wirevow.protocol.vow import LeaveEntry, TripEntry, Value

Work = Callable[[Hands, Requirement], None]
MODULES = {
    each.__name__
    for each in (booting, crossings, framing, noticing, once, refusing, saving, silence, spelling, tickets)
}
BETWEEN = {each.work.__name__: each for each in PURPOSES if each.work.__module__ in MODULES}
SHOWS = [
    ("begun_through_notices", "notice-overwrites-begun-line", "wire.notice.whole"),
    ("begun_over_boot", "begun-line-kept-over-boot", "wire.boot"),
    ("idle_of_all_lines", "idle-time-comes-round", "wire.idle"),
    ("idle_of_all_lines", "overlong-outlasts-idle", "wire.idle"),
    ("whatever_happens_between", "once-cleared-by-missing-check", "wire.once"),
    ("whatever_happens_between", "once-lost-in-discarded-line", "wire.once"),
    ("once_compared", "once-compared-over-24", "wire.once"),
    ("whatever_happens_between", "silence-ended-by-notice", "wire.once"),
    ("ticket_through", "ticket-kept-alive-by-lines", "wire.ticket"),
    ("patience_to_its_step", "patience-cut-to-whole-seconds", "wire.watchdog"),
    ("unsent_is_not_dropped", "off-counted-as-drops", "wire.notice.off"),
    ("every_reason", "fault-before-busy", "wire.reasons"),
    ("longest_at_once", "replies-over-128-lost", "wire.order"),
    ("misspelt", "name-begins-with-anything", "wire.syntax"),
    ("misspelt", "flow-control-obeyed", "wire.syntax"),
    ("written_otherwise", "exponent-accepted", "wire.exact"),
    ("units_of_one_number", "unit-unlooked-when-checked", "wire.unit"),
    ("parts_there_are_none_of", "index-below-zero-is-type", "wire.bulk"),
    ("unchecked_of_all_kinds", "unknown-before-check", "wire.guard"),
    ("counted_not_put", "count-can-be-put", "wire.reasons"),
    ("brings_back_all", "recall-leaves-trims", "action.settings.recall.effect"),
    ("nothing_captured_yet", "capture-layout-before-first", "wire.bulk"),
    ("idle_of_all_lines", "idle-runs-after-blank-line", "wire.idle"),
    ("once_is_not_done_again", "once-for-untagged-actions", "wire.once"),
    ("off_for_all_that_happens", "notice-off-but-for-trips", "wire.notice.off"),
    ("counted_through", "clock-stops-in-a-stall", "wire.boot"),
    ("fires_in_any_session", "trips-wait-for-panel", "trip.reversed_input.fires"),
    ("captured_stays", "capture-lost-with-the-state", "record.capture.layout"),
    ("like_empty_cells", "erased-cell-taken-for-unset", "point.swing.count.saved"),
    ("saved_is_in_force", "trims-unheeded-after-boot", "point.sink.level.saved"),
    ("units_of_one_number", "unit-of-zero-not-looked-at", "wire.unit"),
    ("units_of_one_number", "digits-free-without-unit", "wire.unit"),
    ("once_compared", "once-by-sum", "wire.once"),
    ("misspelt", "wide-character-swallows-line-end", "wire.syntax"),
]


def tried(hands: Hands, name: str) -> list[Requirement]:
    """The requirements that a purpose is for."""
    of = BETWEEN[name]
    return [r for r in requirements(hands.vow.document) if (r.section, r.aspect) == (of.section, of.aspect)]


def try_it(hands: Hands, name: str, requirement: Requirement) -> None:
    hands.home()
    hands.trying = requirement.id
    BETWEEN[name].work(hands, requirement)
    hands.quiet()


@pytest.mark.parametrize("document", ["tarn", "brae"])
@pytest.mark.parametrize("name", sorted(BETWEEN))
def test_a_good_instrument_is_as_it_was(document: str, name: str) -> None:
    hands = hands_on(document, seed=1)
    hands.acquaint()
    for requirement in tried(hands, name):
        try:
            try_it(hands, name, requirement)
        except NotSelected:
            assert document == "brae" or requirement.section == "action", requirement.id
        hands.home()
        hands.trying = None
        hands.ask("self.state")


@pytest.mark.parametrize("name", sorted(BETWEEN))
def test_what_an_envelope_does_not_allow_is_left_before_a_line_is_begun(name: str) -> None:
    hands, _ = within()
    hands.acquaint()
    for requirement in tried(hands, name):
        with contextlib.suppress(NotSelected):
            try_it(hands, name, requirement)
        assert hands.session.begun == b""
        hands.home()
        hands.trying = None
        hands.ask("self.state")


@pytest.mark.parametrize(("name", "fault", "about"), SHOWS)
def test_it_shows_what_is_broken(name: str, fault: str, about: str) -> None:
    hands = hands_on(fault=fault)
    hands.acquaint()
    (requirement,) = (each for each in tried(hands, name) if each.id == about)
    with pytest.raises(Broken):
        try_it(hands, name, requirement)


class BeginsAnewWithTheState(Device):
    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        super().leave(leave, now_ns)
        self._framer.reset()


class RemembersThroughRefusals(Device):
    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        before = self._remembered
        super().line(line, now_ns)
        if self._remembered is None and b"ok" not in self.output.split(b"\n")[-2]:
            self._remembered = before


class RepliesOvertakeNotices(Device):
    def _answer(self, reply: Reply) -> bytes:
        line = reply.line() + b"\n"
        self.output[:0] = line
        return line


class BusyVoidsTheTicket(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("busy",):
            self._ticket = None
        return ok, words


class StaysImpatient(Device):
    """Once checked, a line's shorter idle time stays."""

    def _set_guard(self, on: bool) -> None:
        super()._set_guard(on)
        self.impatient = self.impatient or on
        if self.impatient:
            self._framer.idle_ns = self._wire.idle_checked

    impatient = False


class OfLength16(Framer):
    """A line is as long as 16 bits say."""

    def feed(self, data: bytes, now_ns: int) -> list[bytes | Overlong]:
        whole = data.endswith(b"\n") and len(data) > 1 << 16
        return super().feed(data[1 << 16 :] if whole else data, now_ns)


class CountsInLines16(Device):
    framer = OfLength16


class ChecksEverySpace(Device):
    """Spaces before a check are left out."""

    def _parse(self, line: bytes) -> Request | Malformed:
        return super()._parse(line.replace(b"  ~", b" ~"))


class DoesAgain(Device):
    def _repeat(self, answer: bytes) -> None:
        assert self._remembered is not None
        request = self._parse(self._remembered[0])
        assert isinstance(request, Request)
        self._do(request, self.accepted_ns)
        super()._repeat(answer)


class NoticesOutliveBoots(Device):
    def boot(self, cause: str, now_ns: int) -> None:
        waiting = list(self.waiting)
        super().boot(cause, now_ns)
        self.waiting.extend(waiting)


class TakesShortNames(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        request = super()._parse(line)
        if isinstance(request, Request) and request.name not in self.vow.points:
            meant = [name for name in self.vow.points if name[:-1] == request.name]
            return request._replace(name=meant[0]) if meant else request
        return request


class AnswersTheSameLineAlike(Device):
    """Also a line without a tag; it is not done again."""

    last: tuple[bytes | Overlong, bytes] | None = None

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if self.last is not None and self.last[0] == line:
            self.output += self.last[1]
            return
        begun = len(self.output)
        super().line(line, now_ns)
        self.last = (line, bytes(self.output[begun:]))


class TripsAreForgottenInAStall(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        if not self.blocked:
            super().fire(trip, value, now_ns)


class TripsAreForgottenInALine(Device):
    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        if not self._framer._begun:
            super().fire(trip, value, now_ns)


class TimeIsNoticedAllTheSame(Device):
    """A state that time has left is noticed though notices are off."""

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        switch, self.notices = self.notices, True
        super().leave(leave, now_ns)
        self.notices = switch


class ZeroIsUnset(Device):
    """A saved number without a bit is taken for one that was never saved."""

    def _save(self) -> None:
        super()._save()
        self.store.settings = {name: value for name, value in self.store.settings.items() if value != 0}


class MissingCheckVoidsTheTicket(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        if words == ("check",) and request.arguments:
            self._ticket = None
        return ok, words


@pytest.mark.parametrize(
    ("name", "about", "device", "document"),
    [
        ("begun_through_change", "wire.idle", BeginsAnewWithTheState, "tarn"),
        ("whatever_happens_between", "wire.once", RemembersThroughRefusals, "tarn"),
        ("notices_before_replies", "wire.notice.whole", RepliesOvertakeNotices, "tarn"),
        ("ticket_while_busy", "wire.ticket", BusyVoidsTheTicket, "tarn"),
        ("idle_of_all_lines", "wire.idle", StaysImpatient, "tarn"),
        ("length", "wire.length", CountsInLines16, "tarn"),
        ("misspelt", "wire.syntax", ChecksEverySpace, "tarn"),
        ("once_is_not_done_again", "wire.once", DoesAgain, "tarn"),
        ("waiting_over_boot", "wire.notice.queue", NoticesOutliveBoots, "tarn"),
        ("misspelt", "wire.syntax", TakesShortNames, "tarn"),
        ("ticket_through", "wire.ticket", MissingCheckVoidsTheTicket, "tarn"),
        ("untagged_is_done_again", "wire.once", AnswersTheSameLineAlike, "tarn"),
        ("off_for_all_that_happens", "wire.notice.off", TimeIsNoticedAllTheSame, "tarn"),
        ("like_empty_cells", "point.sink.voltage.saved", ZeroIsUnset, "tarn"),
        ("fires_in_any_session", "trip.reversed_input.fires", TripsAreForgottenInALine, "tarn"),
        ("patience_to_its_step", "wire.watchdog", TripsAreForgottenInALine, "tarn"),
    ],
)
def test_it_shows_a_device_that(name: str, about: str, device: type[Device], document: str) -> None:
    instrument = Instrument(vow_of(document), device_class=device)
    hands = direct_tester(vow_of(document), instrument)
    hands.acquaint()
    (requirement,) = (each for each in tried(hands, name) if each.id == about)
    with pytest.raises(Broken):
        try_it(hands, name, requirement)


def test_a_trip_that_is_forgotten_in_a_stall_is_missed() -> None:
    hands = direct_tester(vow_of("tarn"), Instrument(vow_of("tarn"), device_class=TripsAreForgottenInAStall))
    hands.acquaint()
    first, second, *_ = tried(hands, "fires_in_any_session")
    try_it(hands, "fires_in_any_session", first)  # from the panel
    with pytest.raises(Broken):
        try_it(hands, "fires_in_any_session", second)


@pytest.fixture(scope="module")
def running() -> Iterator[Hands]:
    """Behind a pseudo-terminal, on the real clock, without a rig."""
    vow = vow_of("brae")
    with served(Instrument(vow)) as (address, _):
        port = open_port(address, vow.document.wire.baud, vow.document.wire.opening)
        try:
            hands = Hands(vow, Session(port, vow.document.wire.line_limit))
            hands.acquaint()
            yield hands
        finally:
            port.close()


@pytest.mark.parametrize("name", sorted(BETWEEN))
def test_it_bears_a_clock_that_runs(running: Hands, name: str) -> None:
    hands = running
    for requirement in tried(hands, name):
        try:
            try_it(hands, name, requirement)
        except NotSelected:
            continue
        finally:
            hands.trying = None
        hands.home()
        hands.ask("self.state")


def test_a_count_comes_round_when_its_width_is_used_up() -> None:
    assert meddling.rounds(30 * 10**9) == [
        65_536_000_000,
        256_000_000_000,
        655_360_000_000,
        4_294_967_296_000,
        6_553_600_000_000,
    ]


@pytest.mark.parametrize("captured", [False, True])
def test_a_series_is_zeros_until_a_capture_is_complete(captured: bool) -> None:
    oracle = Oracle(vow_of("tarn"))
    oracle.boot("power", 0)
    if captured:
        oracle.twin.capture("capture", 0)
    line = b"ask capture.part 0"
    size = len(oracle.reply(line, b"ok 0 00 ~0000", 0).expected.split(" ")[2])
    for now_ns, others in ((0, False), (10**9, captured)):
        for digit in b"01":
            answer = b"ok 0 " + bytes((digit,)) * size
            answer += b" ~" + check_of(answer).encode()
            assert oracle.reply(line, answer, now_ns).right is (others or digit == ord("0"))
