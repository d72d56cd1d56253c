"""Charge and energy against integrals that are known, and the bounds of what is not."""

import math
from dataclasses import dataclass

import pytest

from wirevow.protocol.jobs.capacity import left_seconds, rated_conditions, totals
from wirevow.protocol.jobs.resistance import Setting
from wirevow.protocol.jobs.uncertainty import Channel

EXACT = Channel.within("exact", 0, 0, 0)


@dataclass
class Seen:
    seconds: float
    volts: float
    amperes: float
    segment: int = 1


def rows(seconds, amperes, volts=lambda t: 10.0, segment=1):
    return [Seen(t, volts(t), amperes(t), segment) for t in seconds]


def test_an_ampere_for_an_hour_is_an_ampere_hour():
    """SI: 1 A.h = 3600 C, 1 W.h = 3600 J."""
    found = totals(rows(range(0, 3601, 10), lambda t: 1.0), EXACT, EXACT, clock=0)
    assert found.charge.value == pytest.approx(1.0)
    assert found.energy.value == pytest.approx(10.0)
    assert found.charge.u == 0


def test_a_falling_current_is_integrated_within_its_uncertainty():
    """The closed integral of an exponential is the outside value."""
    tau = 600.0
    found = totals(rows(range(0, 3601, 20), lambda t: 2 * math.exp(-t / tau)), EXACT, EXACT, clock=0)
    true = 2 * tau * (1 - math.exp(-3600 / tau)) / 3600
    assert abs(found.charge.value - true) < found.charge.expanded < 0.01 * true


def test_gain_offset_and_clock_add_in_squares():
    amps = Channel.within("amps", 0.001, 0.01, 0)
    found = totals(rows(range(0, 7201, 10), lambda t: 2.0), EXACT, amps)
    by_hand = math.hypot(4.0 * 0.001, 2.0 * 0.01, 4.0 * 1e-4) / math.sqrt(3)  # 4 A.h in 2 h
    assert found.charge.u == pytest.approx(by_hand)
    assert found.charge.causes[0][0] == "offset of amps"


def test_nothing_is_counted_where_nobody_looked():
    seen = rows((0, 3600), lambda t: 1.0) + rows((3600, 7200), lambda t: 1.0, segment=2)
    later = rows((0, 3600), lambda t: 1.0) + rows((9000, 12600), lambda t: 1.0, segment=2)
    assert totals(seen, EXACT, EXACT).charge.value == pytest.approx(2.0)
    assert totals(later, EXACT, EXACT).charge.value == pytest.approx(2.0)


def test_the_time_left_is_the_sooner_of_charge_and_voltage():
    seen = rows(range(100), lambda t: 1.0, lambda t: 12 - t / 100)
    assert left_seconds(seen, 9.0, 2.0, 1.0, 1.0) == pytest.approx(201, abs=1)
    assert left_seconds(seen, 9.0, 1.05, 1.0, 1.0) == pytest.approx(180)
    assert left_seconds(seen[:3], 9.0, None, 0.0, 1.0) is None


@pytest.mark.parametrize(
    ("changed", "asks"),
    [
        ({"amperes": 1.5}, "constant current"),
        ({"constant_current": False}, "constant current"),
        ({"to_the_end": False}, "end-of-discharge"),
        ({"paused": True}, "pause"),
        ({"setting": Setting(True, 5.0, 31.0, 2.0)}, "20 Cel"),
        ({"setting": Setting(True, 5.0, 22.0, None)}, "rested"),
        ({"setting": Setting(False, 5.0, 22.0, 2.0)}, "lithium"),
    ],
)
def test_every_condition_of_a_rated_capacity_counts(changed, asks):
    given = {
        "setting": Setting(True, 5.0, 22.0, 2.0),
        "constant_current": True,
        "amperes": 1.0,
        "to_the_end": True,
        "paused": False,
    }
    assert all(each.met for each in rated_conditions(**given))
    unmet = [each for each in rated_conditions(**{**given, **changed}) if not each.met]
    assert len(unmet) == 1
    assert asks in unmet[0].asks
