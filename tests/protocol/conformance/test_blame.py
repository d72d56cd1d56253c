"""Blame follows from the kind of difference."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.protocol.conformance.instruments import hands_on, vow_of
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.blame import (
    Difference,
    Unexpected,
    blamed,
    blamed_for_notice,
    names_of,
    shape,
)
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Notice, Request

GOOD, BAD = Request(None, "ask", "no.such", (), True).line(), b"ask no.such ~0000"


@pytest.mark.parametrize(
    ("line", "due", "seen", "after_overlong", "named"),
    [
        # A notice that is damaged, or inside a reply, is a notice's.
        (None, "nothing unasked", b"not 4 local sink.level 3.000 A", False, "wire.notice.whole"),
        (b"ask self.state", "ok off", b"ok note 7 state armedoff", False, "wire.notice.whole"),
        (None, "nothing unasked", b"note 3 control local ~0000", False, "wire.notice.whole"),
        # What is no message at all.
        (b"ask self.state", "ok off", b"tarn 1.0.0 ready", False, "promise.quiet"),
        (b"ask self.state", "ok off", b"ok  off", False, "wire.framing"),
        # Lines that are too long, and what comes after them.
        (b"ask self.state", "ok off", None, True, "wire.resync"),
        (b"ask self.state", "ok off", None, False, None),
        (Overlong(96), "refuse length 96", None, False, "wire.length"),
        (Overlong(96), "refuse length 96", b"@9 refuse type none", False, "wire.length"),
        (None, "nothing unasked", b"refuse syntax", True, "wire.length"),
        # A check that does not match, and is taken.
        (BAD, "refuse check", b"ok off", False, "wire.check"),
        (BAD, "refuse check", b"refuse unknown", False, "wire.check"),
        (GOOD, "refuse unknown", b"ok off", False, None),
        # The form of a number is the point's.
        (b"ask sink.level", "ok 0.000 A", b"ok -0.000 A", False, "point.sink.level.unit"),
        (b"ask sink.level", "ok 0.000 A", b"ok 00.000 A", False, "point.sink.level.unit"),
        (b"ask sink.level", "ok 0.500 A", b"ok .500 A", False, "point.sink.level.unit"),
        (b"ask sink.level", "ok 0.500 A", b"ok 0.600 A", False, None),
        # A refusal that carries no tag is about what it refuses.
        (b"@1 ask self.state", "@1 ok off", b"refuse syntax", False, "wire.syntax"),
        (b"@1 ask self.state", "@1 ok off", b"refuse check", False, "wire.guard"),
        # The request comes back; an answer lacks its check; a request without one is looked at.
        (b"ask self.state", "ok off", b"ask self.state", False, "promise.quiet"),
        (GOOD, "refuse unknown ~7A61", b"refuse unknown", False, "wire.echo_check"),
        (GOOD, "refuse unknown ~7A61", b"refuse type none", False, None),
        (BAD, "refuse syntax", b"refuse syntax ~5700", False, "wire.guard"),
        (b"act sink.arm", "refuse check ~1234", b"refuse busy local", False, "wire.guard"),
        (b"act sink.arm", "refuse check ~1234", b"refuse syntax", False, None),
        # A ticket that is none, a reason that comes too soon, a number that rounding does not explain.
        (b"act sink.arm", "ok {ticket}", b"ok bac", False, "wire.ticket"),
        (b"act sink.arm", "ok {ticket}", b"ok 0bac", False, None),
        (b"act capacity.start 0000", "refuse state guard", b"refuse state ticket", False, "wire.reasons"),
        (b"put sink.level 1 A", "ok 1.000 A", b"ok 0.001 A", False, "point.sink.level.quantum"),
        (b"put sink.level 1.0005 A", "ok 1.000 A", b"ok 1.001 A", False, None),
        (b"put sink.level 1.000 A", "ok 1.000 A", b"ok 0.001 A", False, None),
        (b"@ffff ask self.uptime", "@ffff ok 12 s", b"@ffff ok 13 s", False, "point.self.uptime.readable"),
        (b"@ffff ask self.uptime", "@ffff ok 12 s", b"@ffff ok 11 s", False, None),
    ],
)
def test_the_difference_names_the_promise(
    line: bytes | Overlong | None, due: str, seen: bytes | None, after_overlong: bool, named: str | None
) -> None:
    assert blamed(Difference(line, due, seen, after_overlong), vow_of("tarn")) == named


def test_no_answer_after_a_line_that_was_none_is_resync() -> None:
    deaf = Difference(GOOD, "refuse unknown", None, False, after="syntax")
    assert blamed(deaf, vow_of("tarn")) == "wire.resync"
    assert blamed(replace(deaf, after="unknown"), vow_of("tarn")) is None


@pytest.mark.parametrize(
    ("words", "state", "last", "silent", "named"),
    [
        # The value is none of what the trip reports.
        ("trip link_silent 39.140 V", "sinking", "", True, "trip.link_silent.notice"),
        ("trip overvoltage 39.140 V", "sinking", "", False, None),
        # Nobody was silent for so long.
        ("trip link_silent 3.0 s", "sinking", "", False, "wire.watchdog"),
        ("trip link_silent 5.0 s", "sinking", "", True, None),
        # Told as a state: by silence, or besides the trip's own notice.
        ("state off", "sinking", "", True, "trip.link_silent.notice"),
        ("state tripped", "tripped", "overvoltage", False, "trip.overvoltage.notice"),
        ("state off", "sinking", "", False, None),
        # A latch that opens.
        ("state off", "tripped", "overvoltage", False, "trip.overvoltage.latch"),
    ],
)
def test_a_notice_names_the_promise(
    words: str, state: str, last: str, silent: bool, named: str | None
) -> None:
    event, *rest = words.split(" ")
    unexpected = Unexpected(Notice(7, event, tuple(rest), False), state, last, silent)
    assert blamed_for_notice(unexpected, vow_of("tarn")) == named
    if words == "state off" and state == "tripped":
        # Unless that was asked for just then.
        asked = replace(unexpected, doing="trip.clear")
        assert blamed_for_notice(asked, vow_of("tarn")) == "action.trip.clear.effect"


@pytest.mark.parametrize(
    ("fault", "named"),
    [
        ("notice-number-in-a-byte", "wire.notice.number"),
        ("notice-number-taken-twice", "wire.notice.number"),
        ("notice-of-state-missing", "state.armed.leave.1"),
        ("control-notice-names-other", "point.panel.control.readable"),
        ("characters-echoed", "promise.quiet"),
        ("length-without-tag", "wire.length"),
        ("resync-late-after-syntax", "wire.resync"),
        ("guard-lets-actions-through", "wire.guard"),
        ("trip-unnoticed", "trip.overvoltage.notice"),
        ("notice-after-reply", "wire.notice.whole"),
        ("latch-opens-itself", "trip.reversed_input.latch"),
        ("clear-whatever-the-cause", "trip.reversed_input.clears"),
        ("every-trip-latches", "trip.link_silent.fires"),
    ],
)
def test_what_was_being_tried_is_not_blamed(fault: str, named: str) -> None:
    report = campaign.run(hands_on("tarn", fault), until_failure=True, reduce=False)
    assert report.failures[0].requirement == named


def test_failures_of_one_cause_differ_in_names_and_numbers_only() -> None:
    assert shape("@1f ok -0.000 A ~12AB") == shape("@2 ok -0.00 A")
    assert shape("refuse range 0.000 6.000 A") == shape("refuse range 0.0 40.0 A")
    assert shape("ok -0.000 A") != shape("ok -1.000 A")
    assert shape("refuse unit A") != shape("refuse unit V")
    names = names_of(vow_of("tarn"))
    assert shape("refuse fault overheat", names) == shape("refuse fault sense_open", names)
    assert shape("ok {0.0..100.0} %", names) == shape("ok 0.000 A", names)
    assert shape("refuse busy local", names) != shape("refuse state off", names)


def test_one_promise_broken_in_one_way_is_one_failure() -> None:
    report = campaign.run(hands_on("tarn", "trip-unnoticed"), reduce=False, only={"trip.overvoltage.fires"})
    (failure,) = report.failures
    assert failure.requirement == "trip.overvoltage.notice"
    assert report.findings["trip.overvoltage.notice"].failures > 1


def test_one_cause_is_one_failure_with_the_other_places_listed() -> None:
    report = campaign.run(hands_on("tarn", "zero-printed-bare"), reduce=False)
    listed = [key for failure in report.failures for key, _ in failure.also]
    assert listed
    assert all(report.findings[key].verdict is campaign.Verdict.FAIL for key in listed)
    assert not set(listed) & {failure.requirement for failure in report.failures}
