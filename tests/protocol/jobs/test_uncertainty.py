"""Propagation of uncertainty against JCGM 100:2008 (GUM) and its tables."""

import math

import pytest
from scipy.stats import t
from uncertainties import correlated_values_norm, umath

from wirevow.protocol.jobs.uncertainty import _T95, Channel, Measured, coverage


def test_the_example_of_impedance_comes_out():
    """GUM H.2, table H.4: resistance, reactance and impedance from correlated means."""
    volts, amps, phase = correlated_values_norm(
        [(4.9990, 0.0032), (19.6610e-3, 0.0095e-3), (1.04446, 0.00075)],
        [[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]],
    )
    for value, ohms, u in [
        (volts / amps * umath.cos(phase), 127.732, 0.071),
        (volts / amps * umath.sin(phase), 219.847, 0.295),
        (volts / amps, 254.260, 0.236),
    ]:
        got = Measured.of(value, "Ohm")
        # The inputs are rounded in the table: the outputs agree to its last digits but a few.
        assert got.value == pytest.approx(ohms, abs=0.012)
        assert got.u == pytest.approx(u, abs=0.002)


@pytest.mark.parametrize("freedom", sorted(_T95))
def test_coverage_factors_are_students(freedom):
    """GUM table G.2 has two decimals."""
    assert coverage(freedom) == pytest.approx(t.ppf(0.5 + 0.9545 / 2, freedom), abs=0.0051)


def test_coverage_is_never_too_small_and_two_in_the_limit():
    assert coverage(math.inf) == 2.0
    assert coverage(22) == coverage(20) > coverage(30)


def test_an_accuracy_is_a_rectangle_and_a_difference_loses_the_offset():
    channel = Channel.within("volts", 0.001, 0.01, 0.0)
    one = Measured.of(channel.seen(10.0), "V")
    assert one.u == pytest.approx(math.hypot(0.01, 0.01) / math.sqrt(3))
    difference = Measured.of(channel.difference(10.0, 9.0), "V")
    assert difference.u == pytest.approx(0.001 / math.sqrt(3))


def test_a_result_is_told_with_two_digits_of_its_expanded_uncertainty():
    assert str(Measured(5.01234, 0.0144, "A.h")) == "(5.012 ± 0.029) A.h"
    assert str(Measured(1234.5, 60.0, "s")) == "(1234 ± 120) s"
