"""The way to every state and back, and what a dry check never sends."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.protocol.conformance.instruments import hands_on, served, vow_of
from wirevow.emu.faults import build_instrument
from wirevow.protocol.conformance.allowance import Limits
from wirevow.protocol.conformance.gate import DryGate, NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful, NoInstrument, OutOfBudget
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.serialport import open_port


def acquainted(name: str = "tarn", fault: str | None = None) -> Hands:
    hands = hands_on(name, fault)
    hands.acquaint()
    hands.home()
    return hands


@pytest.mark.parametrize(
    ("name", "state"), [(name, state) for name in ("tarn", "brae") for state in vow_of(name).states]
)
def test_every_state_is_reached_and_left_for_home(name: str, state: str) -> None:
    hands = acquainted(name)
    hands.prepare()
    hands.goto(state)
    assert hands.ask("self.state").words == (state,)
    hands.home()
    assert hands.ask("self.state").words == (hands.vow.initial,)
    for entry in hands.vow.settings:
        assert hands.ask(entry.name).words == entry.words(entry.default)


def test_home_turns_the_bench_back_and_everything_on_again() -> None:
    hands = acquainted()
    hands.bench("source.voltage", "5")
    hands.say("put link.notices off")
    hands.say("put link.guard on", check=True)
    hands.panel("panel.control", "local")
    hands.home()
    assert hands.ask("panel.control").words == ("remote",)
    assert hands.ask("link.notices").words == ("on",)
    assert hands.ask("link.guard").words == ("off",)
    assert abs(hands.read("input.voltage") - 12_000) < 100


def test_acquaintance_knows_what_an_earlier_host_has_left() -> None:
    before = acquainted()
    before.prepare()
    before.say("put sink.level 1.234 A")
    before.act("settings.save")
    before.session.send(b"ask self.st")
    after = Hands(before.vow, before.session, energise=True)
    after.acquaint()
    after.home()
    for _ in range(2):
        for entry in after.vow.settings:
            after.ask(entry.name)
        after.power_cycle()
    assert after.setting("sink.level") == 1234


def test_a_bench_that_was_left_turned_is_no_failure() -> None:
    hands = acquainted()
    hands.panel("panel.control", "local")
    hands.transmitter("stalled")
    hands.acquaint()
    hands.home()
    assert hands.ask("panel.control").words == ("remote",)


def test_what_is_behind_the_port_must_be_the_document_s_instrument() -> None:
    with pytest.raises(NoInstrument, match=r"the instrument is 'tarn .*', the document 'tarn"):
        hands_on("tarn", "identity-of-older-document").acquaint()


def test_the_first_wrong_answer_ends_it() -> None:
    hands = acquainted("tarn", "default-second-choice")
    with pytest.raises(Broken) as broken:
        hands.ask("fan.mode")
    assert re.search(r"\bask ", broken.value.sent)
    assert broken.value.seen != broken.value.judgement.expected


def test_no_line_is_sent_over_the_budget() -> None:
    hands = hands_on("brae", budget=40)
    hands.acquaint()
    while hands.lines < 40:
        hands.ask("self.state")
    hands.session.journal.clear()
    with pytest.raises(OutOfBudget):
        hands.ask("self.state")
    assert [entry.kind for entry in hands.session.journal] == []


def test_without_a_rig_nothing_on_the_bench_is_tried() -> None:
    with served(build_instrument(vow_of("tarn"))) as (address, _):
        port = open_port(address, 115200)
        try:
            hands = Hands(vow_of("tarn"), Session(port, 96))
            hands.acquaint()
            with pytest.raises(NotSelected, match="needs a rig"):
                hands.bench("source.voltage", "5")
            with pytest.raises(NotSelected, match="needs a rig"):
                hands.power_cycle()
            with pytest.raises(NotSelected, match="energises"):
                hands.goto("sinking")
        finally:
            port.close()


def test_a_setting_that_is_refused_is_a_doubt_about_the_document() -> None:
    hands = acquainted()
    with pytest.raises(Doubtful, match=r"refuses limit\.current 1\.0, which the document says to put"):
        hands.settings({"sink.level": "5.9", "limit.current": "1.0"})


# --------------------------------------------------------------------------------------------------- the gate

ENERGISING = [
    name
    for name, action in vow_of("tarn").actions.items()
    if any(vow_of("tarn").states[to].energised for state, to in action.to.items()
           if not vow_of("tarn").states[state].energised)
]  # fmt: skip


def test_tarn_has_actions_that_energise() -> None:
    assert "sink.start" in ENERGISING
    assert "sink.stop" not in ENERGISING


@given(
    st.lists(
        st.one_of(
            st.sampled_from([f"act {name} 12ab" for name in ENERGISING]),
            st.sampled_from([f"@1 ACT {name.upper()}" for name in ENERGISING]),
            st.sampled_from([*vow_of("tarn").actions, "act ", "ask self.state", " ", "\n", "@1 ", "\x00"]),
        ).map(str.encode),
        max_size=8,
    )
)
def test_the_gate_lets_no_energising_line_out_however_it_is_cut(pieces: list[bytes]) -> None:
    sent = bytearray()

    class Wire:
        port = "wire"
        timeout = 0.0

        def write(self, data: bytes) -> int:
            sent.extend(data)
            return len(data)

    session = Session(Wire(), 96)  # type: ignore[arg-type]
    session.gate = DryGate(vow_of("tarn"), Limits(vow_of("tarn"), None))
    for piece in pieces:
        try:
            session.send(piece)
        except NotSelected:
            continue
    for line in bytes(sent).lower().split(b"\n"):
        words = re.split(rb"[^a-z0-9_.]+", line)
        assert not (b"act" in words and set(words) & {name.encode() for name in ENERGISING})


@settings(max_examples=5)
@given(st.integers(0, 10**6))
def test_a_dry_check_never_energises(seed: int) -> None:
    from wirevow.protocol.conformance import campaign

    full = hands_on("tarn", seed=seed)
    dry = Hands(full.vow, full.session, seed=seed, energise=False, budget=1500)
    report = campaign.run(dry, seed=seed)
    assert not report.failures, report.failures
    assert not report.energised
    assert not {state for _, state in report.visited if full.vow.states[state].energised}


@pytest.mark.parametrize("wait_ns", [100_000, 1_600_000, 31_000_000])
def test_a_count_that_is_learned_holds_the_capture_before_it(wait_ns: int) -> None:
    hands = hands_on("tarn")
    hands.acquaint()
    hands.home()
    hands.prepare()
    hands.goto("sinking")
    hands.act("capture.start")
    hands.wait(wait_ns)
    hands.ask("capture.count")
    hands.wait(5_000_000)
    assert hands.ask("capture.count").words == ("1",)


def test_where_the_clock_runs_nothing_is_waited_for_that_takes_hours() -> None:
    hands = hands_on("brae")
    hands.acquaint()
    assert hands.route("resting")
    hands.goto("warming")
    hands.session.held = False
    leave = hands.vow.document.states["warming"].leaves[0]
    for wait in (lambda: hands.route("resting"), lambda: hands.leave("warming", leave)):
        with pytest.raises(NotSelected, match="too long on a clock that cannot be advanced"):
            wait()
