"""What the oracle allows, and that it allows all that a good instrument does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.protocol.conformance.instruments import hands_on, vow_of
from wirevow.protocol.message import check_of, parse_answer
from wirevow.protocol.oracle import Judgement, Oracle

if TYPE_CHECKING:
    from wirevow.protocol.conformance.tester import Tester

S = 1_000_000_000


class Bench:
    """An oracle that has heard the boot, and a clock."""

    def __init__(self, name: str = "tarn") -> None:
        self.oracle = Oracle(vow_of(name))
        self.now_ns = 0
        self.oracle.expect_boot = "power"
        assert self.notice("note 1 boot power").right

    def ask(self, line: str, answer: str | None) -> Judgement:
        raw = answer.encode() if answer is not None else None
        return self.oracle.reply(line.encode(), raw, self.now_ns)

    def notice(self, line: str) -> Judgement:
        notice = parse_answer(line.encode())
        return self.oracle.notice(notice, self.now_ns)  # type: ignore[arg-type]


def checked(line: str) -> str:
    return f"{line} ~{check_of(line.encode())}"


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("ask self.state", "ok off"),
        ("@1f ask self.state", "@1f ok off"),
        (checked("ask self.state"), checked("ok off")),
        ("put sink.level 1.500 A", "ok 1.500 A"),
        ("put sink.level 1.5 A", "refuse type digits 3"),
        (checked("put sink.level 1.5 A"), checked("ok 1.500 A")),
        ("put sink.level 6.001 A", "refuse range 0.000 6.000 A"),
        ("put sink.level 1.000 V", "refuse unit A"),
        ("ask no.such", "refuse unknown"),
        ("put self.state off", "refuse access"),
        ("ask  self.state", "refuse syntax"),
        ("ask input.voltage", "ok 12.345 V"),
        ("ask input.voltage", "ok -0.010 V"),
    ],
)
def test_right_answers(line: str, answer: str) -> None:
    judgement = Bench().ask(line, answer)
    assert judgement.right, judgement


@pytest.mark.parametrize(
    ("line", "answer", "requirement", "expected"),
    [
        ("ask self.state", "ok armed", "state.off.reachable", "ok off"),
        ("@1f ask self.state", "ok off", "wire.tag", "@1f ok off"),
        ("@1f ask self.state", "@1e ok off", "wire.tag", "@1f ok off"),
        ("ask self.state", checked("ok off"), "wire.guard", "ok off"),
        (checked("ask self.state"), "ok off", "wire.echo_check", checked("ok off")),
        ("ask self.state", None, "wire.deadline", "ok off"),
        ("put sink.level 1.500 A", "ok 1.5 A", "point.sink.level.unit", "ok 1.500 A"),
        ("put sink.level 1.5 A", "ok 1.500 A", "wire.exact", "refuse type digits 3"),
        ("put sink.level 6.001 A", "ok 6.001 A", "point.sink.level.bounds", "refuse range 0.000 6.000 A"),
        ("put sink.level 6.001 A", "refuse range", "point.sink.level.bounds", "refuse range 0.000 6.000 A"),
        ("put sink.level 1.000 A", "refuse range 0.000 6.000 A", "point.sink.level.bounds", "ok 1.000 A"),
        ("ask no.such", "refuse syntax", "wire.syntax", "refuse unknown"),
        ("ask self.state", "OK off", "wire.syntax", "ok off"),
        ("ask self.state", "ok  off", "wire.syntax", "ok off"),
    ],
)
def test_wrong_answers_bear_on_a_promise_and_tell_what_was_due(
    line: str, answer: str | None, requirement: str, expected: str
) -> None:
    assert Bench().ask(line, answer) == Judgement(False, requirement, expected)


def test_a_reading_outside_what_the_quantity_holds_is_wrong_and_the_range_is_shown() -> None:
    judgement = Bench().ask("ask input.voltage", "ok 12.34 V")
    assert not judgement.right
    assert judgement.requirement == "point.input.voltage.unit"
    scale = vow_of("tarn").points["input.voltage"].number
    assert judgement.expected == f"ok {{{scale.text(scale.low)}..{scale.text(scale.high)}}} V"
    assert not Bench().ask("ask input.voltage", f"ok {scale.text(scale.high + 1)} V").right


def test_a_ticket_is_the_instrument_s_choice_and_holds_from_then_on() -> None:
    bench = Bench()
    assert bench.ask("act sink.arm", "ok 0a1b").right
    assert bench.ask("ask self.state", "ok armed").right
    assert not Bench().ask("act sink.arm", "ok 0A1B").right
    wrong = bench.ask("act sink.start ffff", "ok")
    assert (wrong.right, wrong.requirement) == (False, "action.sink.start.ticket")
    bench = Bench()
    bench.ask("act sink.arm", "ok 0a1b")
    assert bench.ask("act sink.start 0a1b", "ok").right


def test_a_ticket_dies_of_age() -> None:
    bench = Bench()
    bench.ask("act sink.arm", "ok 0a1b")
    give = vow_of("tarn").actions["sink.arm"].gives_ticket_ns
    assert give is not None
    bench.now_ns += give + 1
    assert not bench.ask("act sink.start 0a1b", "ok").right


def test_a_repeated_request_is_given_its_reply_again_and_not_done_again() -> None:
    bench = Bench()
    assert bench.ask("@7 act sink.arm", "@7 ok 0a1b").right
    again = bench.ask("@7 act sink.arm", "@7 ok 0a1c")
    assert (again.right, again.requirement) == (False, "wire.once")
    assert Bench().ask("act sink.arm", "ok 0a1b").right


def test_a_refused_request_changes_nothing_that_is_expected() -> None:
    bench = Bench()
    assert bench.ask("put sink.level 7.000 A", "refuse range 0.000 6.000 A").right
    before = vow_of("tarn").points["sink.level"]
    assert bench.ask("ask sink.level", " ".join(("ok", *before.words(before.default)))).right


def test_notices_are_counted() -> None:
    bench = Bench()
    bench.ask("act sink.arm", "ok 0a1b")
    leave = vow_of("tarn").states["armed"].leaves[0]
    bench.now_ns += leave.after_ns
    skipped = bench.notice(f"note 3 state {leave.to}")
    assert (skipped.right, skipped.requirement) == (False, "wire.notice.number")


@pytest.mark.parametrize(("share", "right"), [(1.0, True), (0.5, False), (2.0, False)])
def test_a_timed_transition_has_its_time(share: float, right: bool) -> None:
    bench = Bench()
    bench.ask("act sink.arm", "ok 0a1b")
    leave = vow_of("tarn").states["armed"].leaves[0]
    bench.now_ns += int(leave.after_ns * share)
    bench.oracle.looked_ns = bench.now_ns - 1000
    assert bench.notice(f"note 2 state {leave.to}").right is right


def test_a_timed_transition_that_does_not_come_is_overdue() -> None:
    bench = Bench()
    bench.ask("act sink.arm", "ok 0a1b")
    leave = vow_of("tarn").states["armed"].leaves[0]
    assert bench.oracle.overdue(leave.after_ns) is None
    overdue = bench.oracle.overdue(2 * leave.after_ns)
    assert overdue is not None
    assert overdue.requirement == "state.armed.leave.1"


def tripped_unheard() -> Bench:
    """Nothing has told of a trip, and several can have been it: nobody spoke for a minute."""
    bench = Bench()
    lines = ["put link.notices off", "act sink.arm", "act sink.start 1a2b", "ask self.state"]
    for line, answer in zip(lines, ["ok off", "ok 1a2b", "ok", "ok tripped"], strict=True):
        if line == "ask self.state":
            bench.now_ns += 60 * S
        assert bench.ask(line, answer).right
    return bench


@pytest.mark.parametrize(
    ("answer", "right"),
    [
        ("ok", True),
        ("refuse fault overvoltage", True),  # the input may be above its limit still
        ("refuse fault link_silent", False),  # someone has spoken
        ("refuse fault", False),
        ("refuse state tripped", False),
    ],
)
def test_a_trip_that_nothing_told_of_is_any_that_fits_what_is_seen(answer: str, right: bool) -> None:
    assert tripped_unheard().ask("act trip.clear", answer).right is right


def test_once_it_is_told_the_trip_is_that_one() -> None:
    bench = tripped_unheard()
    assert bench.ask("ask trip.last", "ok overheat 91.0 Cel").right
    assert not bench.ask("act trip.clear", "refuse fault overvoltage").right


@pytest.mark.parametrize("number", [3, 4])
def test_notices_unheard_are_not_counted_where_there_may_have_been_more_of_them(number: int) -> None:
    bench = tripped_unheard()  # from `sinking`, or from `off` after it
    assert bench.ask("put link.notices on", "ok on").right
    bench.oracle.twin.panel("panel.control", "local", bench.now_ns)
    assert bench.notice(f"note {number} control local").right
    bench.oracle.twin.panel("panel.control", "remote", bench.now_ns)
    assert bench.notice(f"note {number + 1} control remote").right
    bench.oracle.twin.panel("panel.control", "local", bench.now_ns)
    assert not bench.notice(f"note {number + 3} control local").right


def test_an_unasked_boot_is_a_broken_promise_and_is_followed() -> None:
    bench = Bench()
    bench.ask("put sink.level 2.000 A", "ok 2.000 A")
    boot = bench.notice("note 1 boot watchdog")
    assert (boot.right, boot.requirement) == (False, "wire.boot")
    assert bench.ask("ask sink.level", "ok 2.000 A").right is False


# -------------------------------------------------------------------------- no good instrument is accused


def lines_for(name: str) -> st.SearchStrategy[bytes]:
    """Lines a host may send: good ones, refused ones and noise."""
    vow = vow_of(name)
    asks = st.sampled_from([f"ask {point}" for point in vow.points])
    puts = st.builds(
        lambda entry, share: " ".join((
            "put", entry.name,
            *(entry.number.words(entry.number.low + int((entry.number.high - entry.number.low) * share))
              if entry.scale is not None else ([*entry.choices, "x"][int(share * len(entry.choices))],)),
        )),
        st.sampled_from([entry for entry in vow.points.values() if entry.settable]),
        st.floats(0, 1.1),
    )  # fmt: skip
    acts = st.sampled_from([f"act {name}" for name in vow.actions])
    odd = st.sampled_from(["", "ask", "act {ticket}", "get self.state", "ask self.vow 1", "put self.state 1"])
    noise = st.text(st.sampled_from("ask put.~@0 \r\x00\x7f"), max_size=120)
    text = st.one_of(asks, puts, acts, odd, noise)
    tagged = st.builds(lambda tag, text: f"@{tag:x} {text}", st.integers(1, 3), text)
    bare = st.one_of(text, tagged).map(lambda text: text.encode("latin-1"))
    return st.one_of(bare, bare, bare.map(lambda line: line + b" ~" + check_of(line).encode()))


DOINGS = {
    name: st.one_of(lines_for(name), lines_for(name), st.sampled_from([1000, S // 10, S, 12 * S]))
    for name in ("tarn", "brae")
}


def play(tester: Tester, doings: list[bytes | int]) -> None:
    """Raises `Broken` if the oracle does not allow what comes."""
    tester.acquaint()
    tester.home()
    for doing in doings:
        if isinstance(doing, int):
            tester.wait(doing)
        else:
            ticket = tester.oracle.twin.ticket or "0000"
            tester.raw(doing.replace(b"{ticket}", b"sink.start " + ticket.encode()) + b"\n")
    tester.quiet()


@settings(max_examples=30)
@given(st.lists(DOINGS["tarn"], max_size=40))
def test_whatever_a_host_does_a_good_tarn_is_not_accused(doings: list[bytes | int]) -> None:
    play(hands_on("tarn"), doings)


@settings(max_examples=30)
@given(st.lists(DOINGS["brae"], max_size=40))
def test_whatever_a_host_does_a_good_brae_is_not_accused(doings: list[bytes | int]) -> None:
    play(hands_on("brae"), doings)
