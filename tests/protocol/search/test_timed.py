"""Times: how long replies take, whose fault a late one is, and how fast the instrument's clock runs."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

import pytest

from tests.protocol.conformance.instruments import hands_on, served, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults import build_instrument
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance import campaign, exchange, host, plain
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful, Late, NoInstrument
from wirevow.protocol.conformance.purposes import timed
from wirevow.protocol.conformance.replies import Bin, reply_times
from wirevow.protocol.conformance.rig import Hello, Rig
from wirevow.protocol.conformance.selection import selected
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.device import Device
from wirevow.protocol.document.requirements import Requirement, requirements
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.serialport import open_port

LATE_NS = 50_000_000
ASKED = {"point.input.voltage.readable", "wire.deadline"}
"""What a check on a running clock looks at: the question that `Dozes` answers late, and the deadline."""


def set_host(monkeypatch: pytest.MonkeyPatch, name: str, value: object) -> None:
    """What the checker takes this machine for, wherever it looks."""
    for module in (exchange, plain):
        monkeypatch.setattr(module, name, value, raising=module is plain)


def requirement(hands: Hands, name: str) -> Requirement:
    return next(each for each in requirements(hands.vow.document) if each.id == name)


class Dawdler(Instrument):
    """Takes its time over one question."""

    until_ns: int | None = None
    kept = b""

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data, now_ns)
        if b"overdue" in data:
            self.until_ns = now_ns + 2 * self.vow.document.wire.reply_deadline

    def take(self) -> bytes:
        self.kept += super().take()
        if self.until_ns is not None and self.now_ns < self.until_ns:
            return b""
        data, self.kept, self.until_ns = self.kept, b"", None
        return data

    def next_event_ns(self) -> int | None:
        due_ns = super().next_event_ns()
        if self.until_ns is None:
            return due_ns
        return self.until_ns if due_ns is None else min(due_ns, self.until_ns)


@contextmanager
def running(instrument: Instrument, rig: Rig | None = None, *, pace: int | None = None) -> Iterator[Hands]:
    vow = instrument.vow
    with served(instrument, pace) as (address, _):
        port = open_port(address, vow.document.wire.baud, vow.document.wire.opening)
        try:
            hands = Hands(vow, Session(port, vow.document.wire.line_limit, rig))
            hands.acquaint()
            hands.home()
            yield hands
        finally:
            port.close()


def test_the_host_knows_how_late_it_is() -> None:
    assert 0 < host.lateness_ns() < 10**10


def test_the_kernel_is_not_asked_too_often_how_long_programs_waited(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    # Asked more often than it ticks it forgets what it had counted, and a busy machine seems idle.
    pressure, now_ns = tmp_path / "cpu", 10**9
    monkeypatch.setattr(host, "PRESSURE", str(pressure))
    monkeypatch.setattr(host, "_asked_ns", 0)
    monkeypatch.setattr(host, "_total_ns", 0)
    monkeypatch.setattr(host.time, "monotonic_ns", lambda: now_ns)
    seen = []
    for total_us, later_ns in ((100, host.AGAIN_NS), (200, host.AGAIN_NS // 2), (300, host.AGAIN_NS // 2)):
        now_ns += later_ns
        pressure.write_text(f"some avg10=0.00 avg60=0.00 avg300=0.00 total={total_us}\n")
        seen.append(host.contended_ns())
    assert seen == [100_000, 100_000, 300_000]


def test_reply_times_are_told_in_ranks() -> None:
    times = reply_times([5, 1, 4, 2, 3] * 20, 7)
    assert (times.count, times.median_s, times.p99_s, times.greatest_s) == (100, 3e-9, 5e-9, 5e-9)
    assert times.host_late_s == 7e-9
    assert times.bins == (Bin(1e-6, 100),)
    assert reply_times([], 0).count == 0
    one_late = reply_times([1] * 199 + [9], 0)
    assert (one_late.p99_s, one_late.greatest_s) == (1e-9, 9e-9)


def test_reply_times_are_counted_in_bins_without_gaps() -> None:
    times = reply_times([150_000, 200_000, 200_001, 1_900_000, 10**12], 0)
    assert [each.to_s for each in times.bins[:5]] == [2e-4, 5e-4, 1e-3, 2e-3, 5e-3]
    assert [each.count for each in times.bins[:5]] == [2, 1, 0, 1, 0]
    assert sum(each.count for each in times.bins) == times.count
    assert times.bins[-1] == Bin(50.0, 1)


def test_a_check_tells_how_long_replies_took() -> None:
    held = campaign.run(hands_on("brae"))
    assert held.replies.count > 1000
    assert held.replies.greatest_s == held.slowest_s
    assert held.replies.host_late_s == 0


def test_a_running_clock_has_them_too_beside_the_lateness_of_the_host() -> None:
    with running(build_instrument(vow_of("brae"))) as hands:
        hands.budget = hands.lines + 40
        report = campaign.run(hands)
    assert report.replies.count > 20
    assert 0 < report.replies.median_s <= report.replies.p99_s <= report.replies.greatest_s
    assert report.replies.host_late_s > 0


@pytest.mark.parametrize(
    ("host_ns", "busy_ns", "error"), [(100_000, 10**10, Broken), (LATE_NS, 5_000_000, Late)]
)
def test_a_late_answer_is_a_failure_unless_the_host_is_too_busy_to_say(
    monkeypatch: pytest.MonkeyPatch, host_ns: int, busy_ns: int, error: type[Exception]
) -> None:
    # However late the host of this test is while it waits.
    set_host(monkeypatch, "BUSY_NS", busy_ns)
    set_host(monkeypatch, "lateness_ns", lambda: host_ns)
    set_host(monkeypatch, "contended_ns", lambda: 0)
    with running(Dawdler(vow_of("brae"))) as hands, pytest.raises(error, match=r"deadline|too late"):
        hands.line(b"@0 ask overdue.question")


@pytest.mark.parametrize(("rig_s", "error"), [(0.0, Broken), (0.1, Late)])
def test_a_late_answer_is_no_failure_where_the_simulator_has_no_time_for_its_rig_either(
    monkeypatch: pytest.MonkeyPatch, rig_s: float, error: type[Exception]
) -> None:
    set_host(monkeypatch, "BUSY_NS", 10**10)
    set_host(monkeypatch, "contended_ns", lambda: 0)
    set_host(monkeypatch, "lateness_ns", lambda: 0)

    class Slow:
        def hello(self) -> Hello:
            return Hello(True, "brae", frozenset(), frozenset(), held=False)

        def counts(self, sent: int) -> int:
            if rig_s:
                time.sleep(rig_s)
            return 0

    with (
        running(Dawdler(vow_of("brae")), cast(Rig, Slow())) as hands,
        pytest.raises(error, match=r"deadline|simulator"),
    ):
        hands.line(b"@0 ask overdue.question")


def test_a_late_answer_is_no_failure_while_others_wait_for_a_processor_here(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # It may be simulated on this machine, and wait as they do, while the host itself wakes up in time.
    set_host(monkeypatch, "lateness_ns", lambda: 0)
    set_host(monkeypatch, "contended_ns", time.monotonic_ns)
    instrument = Dozes(vow_of("tarn"))
    with running(instrument) as hands:
        instrument.left = 10**6
        report = campaign.run(hands, until_failure=True, reduce=False, only=ASKED)
    assert instrument.left < 10**6
    assert report.findings["wire.deadline"].verdict is Verdict.INCONCLUSIVE
    assert not report.failures


@pytest.mark.parametrize(("times", "verdict"), [(1, Verdict.PASS), (10**6, Verdict.INCONCLUSIVE)])
def test_late_answers_on_a_busy_host_are_tried_again_and_the_check_goes_on(
    monkeypatch: pytest.MonkeyPatch, times: int, verdict: Verdict
) -> None:
    hands = hands_on("brae")
    left = times
    ask = hands.ask

    def slow(name: str, **options: bool) -> object:
        nonlocal left
        if left and hands.lines > 60 and name == "room.lack":
            left -= 1
            raise Late("the host")
        return ask(name, **options)

    monkeypatch.setattr(hands, "ask", slow)
    report = campaign.run(hands)
    assert left < times
    assert not report.failures
    assert report.findings["wire.deadline"].verdict is verdict
    assert report.verdict is verdict
    assert report.lines > 1000


class Dozes(Dawdler):
    """Late with the answer to one question, so many times."""

    left = 0

    def receive(self, data: bytes, now_ns: int) -> None:
        doze = self.left > 0 and b"ask input.voltage" in data
        self.left -= doze
        super().receive(data, now_ns)
        if doze:
            self.until_ns = now_ns + 2 * self.vow.document.wire.reply_deadline


class DozesAtFirst(Dawdler):
    """Late with the first answers that the wire is timed by."""

    left = 2

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data, now_ns)
        if self.left and b"ask self.vow x\n" in data:
            self.left -= 1
            self.until_ns = now_ns + self.vow.document.wire.reply_deadline


@pytest.mark.parametrize(("pace", "told"), [(9600, True), (None, False)])
def test_a_wire_slower_than_the_document_says_is_seen_though_some_answers_are_late(
    pace: int | None, told: bool
) -> None:
    instrument = DozesAtFirst(vow_of("tarn"))
    with running(instrument, pace=pace) as hands:
        assert not instrument.left
        assert ("the wire carries about" in hands.measured.get("wire.deadline", "")) == told


@pytest.mark.parametrize(("times", "verdict"), [(1, Verdict.INCONCLUSIVE), (10**6, Verdict.FAIL)])
def test_an_answer_that_is_late_once_is_no_failure_and_one_that_is_late_again_is(
    monkeypatch: pytest.MonkeyPatch, times: int, verdict: Verdict
) -> None:
    set_host(monkeypatch, "BUSY_NS", 10**10)  # however late the host of this test is
    set_host(monkeypatch, "contended_ns", lambda: 0)
    instrument = Dozes(vow_of("tarn"))
    with running(instrument) as hands:
        instrument.left = times
        report = campaign.run(hands, until_failure=True, reduce=False, only=ASKED)
    assert instrument.left < times
    assert report.findings["wire.deadline"].verdict is verdict
    assert all(failure.requirement == "wire.deadline" for failure in report.failures)


@pytest.mark.parametrize(
    ("fault", "asked", "delays", "verdict"),
    [
        ("trip-too-late", "trip.*", 10**6, Verdict.INCONCLUSIVE),
        ("trip-too-late", "trip.*", 0, Verdict.FAIL),
        ("bound-high-one-over", "point.*", 10**6, Verdict.FAIL),
    ],
)
def test_what_a_late_host_explains_is_tried_again_and_no_failure(
    monkeypatch: pytest.MonkeyPatch, fault: str, asked: str, delays: int, verdict: Verdict
) -> None:
    hands = hands_on("tarn", fault)
    monkeypatch.setattr(hands, "host_delay", lambda: "the host is late" if delays else "")
    only = selected([each.id for each in requirements(hands.vow.document)], [asked])
    report = campaign.run(hands, until_failure=True, reduce=False, only=only)
    assert report.verdict is verdict
    assert bool(report.failures) is (verdict is Verdict.FAIL)


@pytest.mark.parametrize(
    ("times", "busy", "verdict"),
    [(2, True, Verdict.PASS), (10**6, True, Verdict.FAIL), (1, False, Verdict.FAIL)],
)
def test_a_busy_host_looks_for_the_instrument_more_than_once_before_it_is_silent(
    monkeypatch: pytest.MonkeyPatch, times: int, busy: bool, verdict: Verdict
) -> None:
    hands = hands_on("brae")
    ask, acquaint, left, asked = hands.ask, hands.acquaint, times, 0

    def late_once(name: str, **options: bool) -> object:
        nonlocal asked
        asked += hands.lines > 60
        if asked == 1:
            silent = Broken(Judgement(False, "wire.deadline", "an answer"), name, "no answer")
            raise Late("the host", silent=silent)
        return ask(name, **options)

    def nobody() -> None:
        nonlocal left
        if asked and left:
            left -= 1
            raise NoInstrument("nobody answers")
        acquaint()

    monkeypatch.setattr(hands, "ask", late_once)
    monkeypatch.setattr(hands, "acquaint", nobody)
    monkeypatch.setattr(hands, "host_delay", lambda: "the host is late" if busy else "")
    report = campaign.run(hands, reduce=False)
    assert report.verdict is verdict
    assert bool(report.failures) is (verdict is Verdict.FAIL)


def test_a_failure_is_told_even_if_a_shorter_way_to_it_is_broken_off(monkeypatch: pytest.MonkeyPatch) -> None:
    hands = hands_on("tarn", "bound-high-one-over")
    report = campaign.blank(hands)

    def broken_off(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(campaign, "shortened", broken_off)
    with pytest.raises(KeyboardInterrupt):
        campaign.run(hands, report=report)
    assert len(report.failures) == 1


def test_a_host_that_is_never_punctual_does_not_get_to_know_the_instrument(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    hands = hands_on("brae")

    def slow(name: str, **options: bool) -> object:
        raise Late("the host sleeps")

    monkeypatch.setattr(hands, "ask", slow)
    report = campaign.run(hands)
    assert report.note == "the host sleeps"
    assert report.verdict is Verdict.INCONCLUSIVE
    assert not report.failures


def test_no_time_is_judged_while_the_host_is_late_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timed, "lateness_ns", lambda: LATE_NS)
    with running(build_instrument(vow_of("brae"))) as hands, pytest.raises(Doubtful, match="50 ms late"):
        timed.replies_in_time(hands, requirement(hands, "wire.deadline"))


def test_good_replies_are_in_time() -> None:
    hands = hands_on("tarn")
    hands.acquaint()
    timed.replies_in_time(hands, requirement(hands, "wire.deadline"))


class Fast(Device):
    """A resonator of another rate."""

    parts = 150

    def _elapsed(self, entry, since_ns):  # type: ignore[no-untyped-def]
        return super()._elapsed(entry, since_ns + since_ns * self.parts // 1_000_000)


class SlightlyFast(Fast):
    parts = 80


def test_a_clock_within_its_promise_of_100_ppm_is_not_accused_and_one_beyond_is() -> None:
    vow = vow_of("tarn")
    promise = requirement(hands_on("tarn"), "promise.clock")
    good = direct_tester(vow, Instrument(vow, device_class=SlightlyFast))
    good.acquaint()
    timed.clock(good, promise)
    bad = direct_tester(vow, Instrument(vow, device_class=Fast))
    bad.acquaint()
    with pytest.raises(Broken) as broken:
        timed.clock(bad, promise)
    assert broken.value.judgement.requirement == "promise.clock"


def test_a_clock_that_cannot_be_told_apart_yet_is_not_selected() -> None:
    with running(build_instrument(vow_of("tarn"))) as hands, pytest.raises(NotSelected, match="takes"):
        timed.clock(hands, requirement(hands, "promise.clock"))
