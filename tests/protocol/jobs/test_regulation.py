"""Regulation and step response of sources that are known in closed form."""

import math
import random

import pytest

from wirevow.protocol.jobs.regulation import Capture, Point, edge_of, regulation, step_response
from wirevow.protocol.jobs.uncertainty import Channel

VOLTS, AMPS = Channel.within("volts", 0.0005, 0.02, 0.001), Channel.within("amps", 0.001, 0.01, 0.001)


def source(amps, volts=12.0, ohms=0.25):
    return Point(amps, amps, volts - ohms * amps)


def test_a_resistance_behind_a_voltage_is_found():
    found = regulation([source(0.5 * n) for n in range(9)], VOLTS, AMPS)
    assert found.ohms.value == pytest.approx(0.25)
    assert found.open_volts == pytest.approx(12.0)
    assert found.percent.value == pytest.approx(100 * 0.25 * 4 / 12)
    assert found.ohms.u > 0.25 * 0.001 / math.sqrt(3), "the gain of the current is in it"


def test_the_uncertainty_covers_noise_gains_and_offsets():
    draw, hits = random.Random(3), 0
    for _ in range(300):
        gains = 1 + draw.uniform(-5e-4, 5e-4), 1 + draw.uniform(-1e-3, 1e-3)
        zeros = draw.uniform(-0.02, 0.02), draw.uniform(-0.01, 0.01)
        points = [
            Point(
                amps,
                (amps - zeros[1]) / gains[1],
                (12 - 0.25 * amps - zeros[0]) / gains[0] + draw.gauss(0, 0.002),
            )
            for amps in (0.4 * n for n in range(8))
        ]
        found = regulation(points, VOLTS, AMPS)
        hits += abs(found.ohms.value - 0.25) <= found.ohms.expanded
    assert hits >= 0.92 * 300


def captured(edge, tau=100e-6, dip=0.2):
    every = 50e-6
    at = [(n - edge) * every for n in range(32)]
    amps = [1.0 if t < 0 else 3.0 for t in at]
    # A first-order answer with a dip that dies out: closed form.
    volts = [12.0 if t < 0 else 11.5 - dip * math.exp(-t / tau) for t in at]
    return Capture(every, amps, volts)


def test_dip_and_recovery_are_those_of_the_answer():
    found = step_response([captured(edge) for edge in (5, 9, 14)])
    assert found.captures == 3
    assert found.before == pytest.approx(12.0)
    assert found.after == pytest.approx(11.5, abs=0.01)
    assert found.lowest == pytest.approx(11.3)
    assert found.ohms == pytest.approx(0.25, abs=0.005)
    # 0.2 exp(-t / 100 us) is below a tenth of 0.5 V from 139 us on: the next sample is at 150 us.
    assert found.recovery_s == pytest.approx(150e-6)


def test_captures_without_the_edge_are_left_out():
    assert edge_of(captured(40)) is None
    assert step_response([captured(1), captured(9), captured(30)]).captures == 1
    with pytest.raises(ValueError, match="no capture holds the edge"):
        step_response([captured(1)])


def test_an_answer_that_rings_to_the_end_is_not_settled():
    still = captured(9, dip=0.0)
    ringing = [volts + (0.3 * (-1) ** n if n >= 9 else 0.0) for n, volts in enumerate(still.volts)]
    assert step_response([Capture(still.every_s, still.amperes, ringing)]).recovery_s is None
