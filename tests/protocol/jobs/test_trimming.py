"""Trims that undo errors which are known, within the uncertainty that is told."""

import random
from datetime import date

import pytest

from wirevow.protocol.calibration import fit_line
from wirevow.protocol.jobs.trimming import Meter, Pair, chosen, level, reading

PERFECT = Meter("perfect", 0.0, 0.0, date(2026, 1, 1))


def test_a_straight_line_is_that_of_the_gum():
    """JCGM 100:2008, H.3: the correction at 30 Cel of a thermometer, and its uncertainty."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    value, u = fit_line(t, b, 20.0).at(30.0)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert u == pytest.approx(0.0041, abs=5e-5)


def test_known_errors_of_a_reading_are_undone():
    points, _ = chosen(0.0, 30.0, 9)
    pairs = [Pair(x, 1.004 * x - 0.05) for x in points]
    found = reading(pairs, PERFECT, 1.0, 0.0, 1e-9, "V")
    assert found.gain.value == pytest.approx(1 / 1.004)
    assert found.shift.value == pytest.approx(0.05 / 1.004)
    # Trims that are in force already count: raw was what the trims had made of it.
    again = reading([Pair(p.true, p.seen * 1.1 + 0.2) for p in pairs], PERFECT, 1.1, 0.2, 1e-9, "V")
    assert again.gain.value == pytest.approx(1 / 1.004)
    assert again.shift.value == pytest.approx(0.05 / 1.004)


def test_known_errors_of_a_level_are_undone():
    def drawn(amps, gain, shift):
        return 0.99 * (amps * gain + shift) + 0.03

    points, _ = chosen(0.1, 5.0, 7)
    found = level([Pair(drawn(x, 1.02, 0.01), x) for x in points], PERFECT, 1.02, 0.01, 1e-9, "A")
    assert drawn(2.5, found.gain.value, found.shift.value) == pytest.approx(2.5)


def test_uncertainties_cover_what_they_say():
    """Of 400 calibrations with noise and a meter within its accuracy, 95 % recover the truth (GUM 6.3)."""
    draw = random.Random(5)
    points, _ = chosen(1.0, 30.0, 9)
    meter = Meter("m", 0.01, 0.001)
    hits = [0, 0]
    for _ in range(400):
        gain, zero = 1 + draw.uniform(-1e-4, 1e-4), draw.uniform(-0.001, 0.001)
        pairs = [Pair((x - zero) / gain, 1.004 * x - 0.05 + draw.gauss(0, 0.003)) for x in points]
        found = reading(pairs, meter, 1.0, 0.0, 0.001, "V")
        hits[0] += abs(found.gain.value - 1 / 1.004) <= found.gain.expanded
        hits[1] += abs(found.shift.value - 0.05 / 1.004) <= found.shift.expanded
    assert min(hits) >= 0.92 * 400


def test_points_are_spread_and_verified_elsewhere():
    points, between = chosen(1.0, 9.0, 9)
    assert (points[0], points[-1], len(points)) == (1.0, 9.0, 9)
    assert not set(points) & set(between)
    assert min(points) < min(between) < max(between) < max(points)


def test_what_cannot_be_a_calibration_is_refused():
    with pytest.raises(ValueError, match="too few"):
        chosen(0, 1, 4)
    with pytest.raises(ValueError, match="no range"):
        chosen(1, 1, 9)
    with pytest.raises(ValueError, match="check the wiring"):
        reading([Pair(x, -x) for x in range(5)], PERFECT, 1, 0, 0.001, "V")


@pytest.mark.parametrize(
    ("last", "says"),
    [
        (None, "not declared"),
        (date(2024, 5, 1), "have it done again"),
        (date(2027, 1, 1), "still to come"),
        (date(2026, 6, 1), None),
    ],
)
def test_the_meters_own_calibration_is_looked_at(last, says):
    warnings = Meter("m", 0.01, 0.001, last).warnings(date(2026, 11, 30))
    assert (says in warnings[0]) if says else not warnings
