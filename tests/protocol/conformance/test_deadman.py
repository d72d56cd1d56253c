"""The dead man's hand: nothing is energised before the instrument's own link watchdog was seen to stop it."""

from dataclasses import replace
from itertools import pairwise

import pytest

from tests.protocol.conformance.instruments import vow_of
from tests.protocol.test_gate import ENVELOPE, VOW, envelope, hands_on, lines_out, ready
from wirevow.emu.faults import build_instrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.allowance import Limits
from wirevow.protocol.conformance.envelope import Reach, if_the_host_dies
from wirevow.protocol.conformance.gate import UNTRIED, EnvelopeGate, NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.plan import ceilings_of, plan_of
from wirevow.protocol.document.load import DocumentError, read_yaml_model

NS_PER_S = 10**9


def starts(wire):
    return [line for line in lines_out(wire) if b"act sink.start" in line or b"act capacity.start" in line]


def test_it_is_tried_first_at_the_lowest_level_and_the_shortest_patience():
    hands, wire = hands_on()
    hands.acquaint()
    assert hands.gate.unguarded == ""
    assert wire.instrument.device.state == "off"
    lines = lines_out(wire)
    (start,) = starts(wire)
    before = [line for line in lines[: lines.index(start)] if b"put " in line]
    assert [line for line in before if b"put link.patience" in line][-1].endswith(b"put link.patience 0.5 s")
    assert not [line for line in before if b"put sink.level" in line and b"sink.level 0.000 A" not in line]
    assert wire.instrument.device.last_trip[0] == "link_silent"
    hands.acquaint()
    assert len(starts(wire)) == 1  # once is enough


def test_before_that_the_gate_energises_nothing():
    gate = EnvelopeGate(Reach(VOW, envelope()), Limits(VOW, None))
    assert gate.unguarded == UNTRIED
    with pytest.raises(NotSelected, match="link watchdog"):
        gate.judge([b"act sink.start 1a2b"], b"", 0)


def test_if_it_does_not_stop_in_time_that_is_a_failure_and_nothing_more_is_energised():
    hands, wire = hands_on(instrument=build_instrument(VOW, fault="watchdog-never"), budget=1500)
    report = campaign.run(hands)
    assert [failure.requirement for failure in report.failures][:1] == ["trip.link_silent.fires"]
    assert len(starts(wire)) == 1
    assert not VOW.states[wire.instrument.device.state].energised
    (said,) = hands.warnings
    assert "link_silent within 0.6 s" in said
    assert "DO NOT LEAVE IT ALONE" in said
    assert any("link watchdog has not stopped it" in each.reason for each in report.findings.values())


def test_it_is_made_safe_at_once():
    hands, wire = hands_on(instrument=build_instrument(VOW, fault="watchdog-never"))
    with pytest.raises(Broken):
        hands.acquaint()
    assert wire.instrument.device.state == "off"
    hands.acquaint()
    with pytest.raises(NotSelected, match="not stopped it"):
        hands.goto("sinking")


def test_while_energised_the_host_is_never_silent_for_long():
    hands, wire = ready()
    hands.prepare()
    hands.goto("sinking")
    wire.log.clear()
    began_ns = hands.now_ns
    for _ in range(8):
        hands.wait(NS_PER_S * 3 // 10)
    times = [began_ns, *(when for kind, _, when in wire.log if kind == "out"), hands.now_ns]
    assert max(after - before for before, after in pairwise(times)) <= NS_PER_S * 3 // 10
    assert hands.state == "sinking"


def test_an_envelope_may_allow_a_longer_silence():
    """For a host that is slow to answer, or far away."""
    wider = ENVELOPE.replace("saves: 3", "saves: 3, silent_seconds: 2")
    hands, wire = ready(wider)
    hands.prepare()
    hands.goto("sinking")
    assert hands.setting("link.patience") == 20
    assert wire.instrument.device.state == "sinking"
    with pytest.raises(DocumentError, match="silent_seconds"):
        read_yaml_model(
            ENVELOPE.replace("saves: 3", "saves: 3, silent_seconds: 9"), type(envelope()), "x.yaml"
        )


def test_what_happens_if_the_host_dies_is_said_before_anything_is_agreed_to():
    plan = plan_of(VOW, envelope=envelope(), ceilings=ceilings_of(VOW, envelope(), ()))
    (said,) = [line for line in plan.text() if line.startswith("host dies")]
    assert "(link_silent) has to stop it within 0.6 s" in said
    assert "too long: so nothing is energised" in if_the_host_dies(vow_of("brae"))


def test_without_a_link_watchdog_that_is_said_plainly_and_nothing_is_energised():
    trips = {name: trip for name, trip in VOW.trips.items() if name != "link_silent"}
    unwatched = replace(VOW, trips=trips)
    assert if_the_host_dies(unwatched).startswith("NOTHING stops this instrument")
    assert "no trip of the document stops it" in Reach(unwatched, envelope()).lacking
