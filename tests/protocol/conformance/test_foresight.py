"""What the source in front would trip is not put within an envelope, and what tripped is cleared."""

from fractions import Fraction
from pathlib import Path

import pytest

from tests.protocol.test_gate import VOW, hands_on, lines_out, ready
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.foresight import outer_readings, would_trip
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.selection import selected
from wirevow.protocol.document.requirements import requirements

SHIPPED = (Path(__file__).parents[3] / "spec" / "envelopes" / "tarn-supply.yaml").read_text()
DEFAULTS = {entry.name: entry.default for entry in VOW.settings}
SOURCE = {"input.voltage": (Fraction(119, 10), Fraction(121, 10))}


@pytest.mark.parametrize(
    ("ceiling", "trip"), [(5_000, "overvoltage"), (12_000, "overvoltage"), (12_100, ""), (38_000, "")]
)
def test_a_ceiling_below_what_was_read_would_trip(ceiling, trip):
    assert would_trip(VOW, {**DEFAULTS, "limit.voltage": ceiling}, SOURCE, {"limit.voltage"}) == trip


def test_only_what_the_outside_moves_counts():
    """The current follows the level: a ceiling below what flowed a while ago trips nothing."""
    assert outer_readings(VOW) >= {"input.voltage", "input.terminal", "heat.sink"}
    assert not outer_readings(VOW) & {"input.current", "input.power"}


def test_what_the_source_would_trip_is_not_put():
    hands, wire = ready()
    hands.prepare()
    hands.goto("sinking")
    hands.home()
    ceiling = VOW.points["limit.voltage"]
    hands.put("sink.voltage", 10_000)
    with pytest.raises(NotSelected, match="overvoltage would trip"):
        hands.put("limit.voltage", 10_000)
    assert not [line for line in lines_out(wire) if b"put limit.voltage 10.000 V" in line]
    low, high = hands.room(ceiling)
    assert 12_000 < low < 12_100
    assert high == 16_000
    assert hands.put("limit.voltage", low).ok
    hands.prepare()
    hands.goto("sinking")
    assert hands.state == "sinking"


def test_what_was_found_tripped_is_cleared_with_what_fits():
    hands, wire = ready()
    hands.session.send(b"put sink.voltage 4.000 V\nput limit.voltage 5.000 V\nact sink.arm\n")
    hands.session.wait(10**9)
    assert wire.instrument.device.state == "tripped"
    hands.acquaint()
    hands.home()
    assert wire.instrument.device.state == hands.state == "off"
    assert not [line for line in lines_out(wire) if b"put limit.voltage 38" in line]


def test_what_a_check_made_trip_it_clears():
    hands, wire = ready()
    hands.put("sink.voltage", 4_000)
    hands.put("limit.voltage", 13_000)
    hands.act("sink.arm")
    hands.rig.bench("source.voltage", "14.5")  # somebody turns it up
    hands.wait(10**9)
    assert wire.instrument.device.state == hands.state == "tripped"
    hands.home()
    assert wire.instrument.device.state == hands.state == "off"


def test_the_shipped_envelope_runs_to_its_end_without_hands():
    """All of it is in the matrix of the campaign."""
    hands, wire = hands_on(SHIPPED)
    hands.abilities, hands.events = frozenset({"hold", "advance"}), frozenset()
    ids = [each.id for each in requirements(VOW.document)]
    report = campaign.run(hands, only=selected(ids, ("trip.*", "point.limit.*", "action.trip*")))
    assert (str(report.verdict), report.note) == ("pass", "")
    assert wire.instrument.device.state == "off"
    beyond = {
        name
        for name, finding in report.findings.items()
        if "beyond the envelope" in finding.reason and str(finding.verdict) != "pass"
    }
    assert beyond <= {f"point.limit.{each}.bounds" for each in ("current", "power", "voltage", "temperature")}
    assert str(report.findings["trip.link_silent.fires"].verdict) == "pass"
