"""What is tried near the ends: of a range, of a threshold, of a time, and by other hands."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest

from tests.protocol.conformance.instruments import hands_on
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import (
    alternation,
    constancy,
    cooling,
    extremes,
    hands,
    laws,
    thresholds,
)
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.document.requirements import Requirement, requirements

Purpose = Callable[[Hands, Requirement], None]

SHOWN: list[tuple[str, Purpose, str, str]] = [
    ("trip-threshold-without-constant", thresholds.close_to_the_threshold, "trip.overcurrent.fires", ""),
    ("trip-reports-threshold", thresholds.reports_what_is_read, "trip.overvoltage.report", ""),
    ("trip-delay-afresh-after-change", thresholds.over_a_change_of_state, "trip.fan_stalled.delay", ""),
    (
        "trip-delay-afresh-after-change",
        thresholds.over_quick_changes_of_state,
        "trip.thermistor_open.delay",
        "",
    ),
    ("rail-sags-with-current", extremes.working_hard, "state.sinking.reachable", "law.rail_stands"),
    ("small-current-reads-zero", extremes.told_from_nothing, "law.current_follows_level", ""),
    ("capture-series-in-16-bits", extremes.series_at_the_ends, "record.capture.layout", ""),
    ("capture-every-other-sample", extremes.series_of_fast_changes, "law.current_slews.rate", ""),
    ("reading-clipped", extremes.reads_the_bench, "point.input.voltage.accuracy", ""),
    ("channel-not-settled", extremes.reads_the_bench, "point.input.voltage.accuracy", ""),
    ("temperature-ten-low", extremes.reads_the_bench, "point.heat.sink.accuracy", ""),
    ("start-zeroes-counters", constancy.settings_stay, "action.sink.start.effect", ""),
    (
        "panel-level-unheeded",
        hands.acts_from_the_panel,
        "point.sink.level.local",
        "law.current_follows_level",
    ),
    ("fan-manual-replaces-curve", cooling.least_drive, "fan.curve", ""),
    ("elapsed-in-binary-milliseconds", laws.law, "law.elapsed_is_time", ""),
    ("run-holds-the-mode", laws.law, "law.run_follows_level", ""),
    ("alternation-in-whole-milliseconds", alternation.counted, "law.swing_alternates.period", ""),
]
"""A fault, the purpose that shows it, what that is tried for, and what is accused if not that."""


def ready(fault: str | None = None) -> Hands:
    hands = hands_on("tarn", fault)
    hands.acquaint()
    hands.home()
    return hands


def requirement(hands: Hands, name: str) -> Requirement:
    return next(each for each in requirements(hands.vow.document) if each.id == name)


@pytest.mark.parametrize(("fault", "purpose", "name", "accused"), SHOWN)
def test_what_goes_wrong_at_an_end_is_seen_there(
    fault: str, purpose: Purpose, name: str, accused: str
) -> None:
    hands = ready(fault)
    with pytest.raises(Broken) as broken:
        purpose(hands, requirement(hands, name))
    assert broken.value.judgement.requirement == (accused or name)


@pytest.mark.parametrize(("fault", "purpose", "name", "accused"), SHOWN)
def test_a_good_instrument_is_good_at_its_ends(fault: str, purpose: Purpose, name: str, accused: str) -> None:
    hands = ready()
    before = hands.lines
    purpose(hands, requirement(hands, name))
    hands.quiet()
    assert hands.lines > before


@pytest.mark.parametrize(
    ("trip", "state"),
    [
        ("overcurrent", "sinking"),
        ("overvoltage", "off"),
        ("reversed_input", "armed"),
        ("sense_open", "sinking"),
    ],
)
def test_a_threshold_is_tried_from_both_sides(trip: str, state: str) -> None:
    """Beside a setting that moves it, and beside a constant: first it stays, then it trips."""
    hands = ready()
    thresholds.close_to_the_threshold(hands, requirement(hands, f"trip.{trip}.fires"))
    hands.quiet()
    assert (f"trip.{trip}.notice", state) in hands.visited
    assert hands.state == "tripped"
    assert hands.oracle.twin.last_trip[0] == trip


def test_a_threshold_is_met_to_the_accuracy_of_its_reading() -> None:
    hands = ready()
    thresholds.close_to_the_threshold(hands, requirement(hands, "trip.overvoltage.fires"))
    reported = Decimal(hands.oracle.twin.last_trip[1])
    limit = hands.setting("limit.voltage")
    assert isinstance(limit, int)
    # 0.05 % of the reading and 0.03 % of 80 V, on both sides.
    assert 0 < reported - Decimal(limit) / 1000 < Decimal("0.2")


def test_nothing_is_worked_hard_by_hands_that_may_not() -> None:
    hands = ready()
    hands.energise = False
    with pytest.raises(NotSelected):
        extremes.working_hard(hands, requirement(hands, "state.sinking.reachable"))


def test_a_series_is_recorded_below_every_trip() -> None:
    """The bench goes as high as the protections allow, not as high as the reading goes."""
    hands = ready()
    extremes.series_at_the_ends(hands, requirement(hands, "record.capture.layout"))
    turned = [entry.value for entry in hands.session.journal if entry.name == "source.voltage"]
    assert set(turned) == {"12.000", "36.1"}
    assert hands.state == "sinking"


def test_the_end_of_a_state_is_tried_from_both_sides() -> None:
    hands = ready()
    thresholds.close_to_the_end(hands, requirement(hands, "state.discharging.leave.1"))
    assert hands.state == "finished"
    # Not where the document provokes it: 6 V and more above that.
    assert hands.setting("capacity.cutoff") != hands.vow.points["capacity.cutoff"].default
    turned = [
        Decimal(entry.value or "0") for entry in hands.session.journal if entry.name == "source.voltage"
    ]
    cutoff = Decimal(str(hands.setting("capacity.cutoff"))) / 1000
    assert turned[-1] < cutoff < turned[-2]
    assert turned[-2] - turned[-1] < Decimal("0.2")


def test_a_guard_is_tried_shut_and_open() -> None:
    hands = ready()
    thresholds.close_to_the_guard(hands, requirement(hands, "action.capacity.start.guard"))
    assert hands.state == "discharging"
    lines = [entry.data for entry in hands.session.journal if entry.kind == "line"]
    assert any(line.endswith(b"refuse state guard") for line in lines)
