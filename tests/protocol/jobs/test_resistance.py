"""Internal resistance by both methods, on voltages computed from a known network."""

import cmath
import math
from dataclasses import replace

import pytest

from wirevow.protocol.jobs.resistance import Held, Setting, Tone, alternating, direct, no_tone, phasor
from wirevow.protocol.jobs.uncertainty import Channel

VOLTS = Channel.within("volts", 0.0005, 0.02, 0.001)
AMPS = Channel.within("amps", 0.001, 0.01, 0.001)
DECLARED = Setting(lithium=True, rated_ah=5.0, ambient=21.0, rested_h=2.0)
OHM, PAIR_OHM, PAIR_S = 0.050, 0.030, 8.0


def after(seconds, before=0.0):
    """Volts below rest, per ampere, of a resistance and one RC pair after a step (closed form)."""
    return OHM + PAIR_OHM * (1 - math.exp(-(seconds + before) / PAIR_S))


LOW = Held(1.0, 12.0 - after(10), 10.0, 0.0001)
# A second later: what the first ampere did for 11 s, and the further four for 1 s (superposition).
HIGH = Held(5.0, 12.0 - after(11) - 4.0 * after(1), 1.0, 0.0001)


def test_the_direct_method_is_the_quotient_of_the_standard():
    found = direct(LOW, HIGH, VOLTS, AMPS, DECLARED)
    assert found.ohms.value == pytest.approx((LOW.volts - HIGH.volts) / 4.0)
    assert OHM < found.ohms.value < OHM + PAIR_OHM
    assert found.named
    assert "IEC 61960-3" in found.title


def test_the_offsets_of_both_readings_do_not_count():
    worse = direct(LOW, HIGH, Channel.within("volts", 0.0005, 5.0, 0.001), AMPS, DECLARED)
    assert worse.ohms.u == pytest.approx(direct(LOW, HIGH, VOLTS, AMPS, DECLARED).ohms.u)
    by_hand = math.hypot(
        math.hypot(0.0001, 0.0001) / 4,  # scatter
        math.sqrt(2) * 0.0005 / math.sqrt(3) / 4,  # rounding of two voltages
        0.0005 / math.sqrt(3) * worse.ohms.value,
        0.001 / math.sqrt(3) * worse.ohms.value,
        math.sqrt(2) * 0.0005 / math.sqrt(3) / 4 * worse.ohms.value,
    )
    assert worse.ohms.u == pytest.approx(by_hand, rel=1e-3)


@pytest.mark.parametrize(
    ("low", "high", "setting", "drawn"),
    [
        (replace(LOW, seconds=10.3), HIGH, DECLARED, 0),
        (LOW, replace(HIGH, seconds=1.2), DECLARED, 0),
        (replace(LOW, amperes=1.2), HIGH, DECLARED, 0),
        (LOW, replace(HIGH, amperes=4.0), DECLARED, 0),
        (LOW, HIGH, replace(DECLARED, ambient=28.0), 0),
        (LOW, HIGH, replace(DECLARED, ambient=None), 0),
        (LOW, HIGH, replace(DECLARED, rested_h=0.2), 0),
        (LOW, HIGH, replace(DECLARED, lithium=False), 0),
        (LOW, HIGH, DECLARED, 1.0),
    ],
)
def test_the_standard_is_named_only_where_every_condition_is_met(low, high, setting, drawn):
    found = direct(low, high, VOLTS, AMPS, setting, drawn)
    assert not found.named
    assert "IEC" not in found.title
    assert sum(not each.met for each in found.conditions) == 1


def test_equal_currents_have_no_resistance():
    with pytest.raises(ValueError, match="the same"):
        direct(LOW, replace(HIGH, amperes=1.0), VOLTS, AMPS, DECLARED)


def tone(phase, hertz=1000.0, sine=True, swing=0.1):
    every = 50e-6
    load = [swing * math.cos(2 * math.pi * hertz * every * n + phase) for n in range(32)]
    # Impedance at 1 kHz of the network in closed form: a resistance and a pair R/(1 + jwRC).
    impedance = OHM + PAIR_OHM / (1 + 2j * math.pi * hertz * PAIR_S)
    angle = cmath.phase(impedance)
    fall = [
        12 - 2 * OHM - swing * abs(impedance) * math.cos(2 * math.pi * hertz * every * n + phase + angle)
        for n in range(32)
    ]
    return Tone(every, [2.0 + each for each in load], fall, hertz, 1.5, sine), abs(impedance)


def test_the_alternating_method_finds_the_impedance_at_its_tone():
    tones, impedance = zip(*[tone(phase) for phase in (0.1, 1.7, 3.9)], strict=True)
    found = alternating(tones, VOLTS, AMPS, DECLARED)
    assert found.ohms.value == pytest.approx(impedance[0], rel=1e-9)
    assert found.named


@pytest.mark.parametrize("changed", [{"hertz": 1200.0}, {"sine": False}, {"swing": 1.0}])
def test_another_tone_shape_or_size_is_not_after_the_standard(changed):
    found = alternating([tone(0.1, **changed)[0], tone(0.9, **changed)[0]], VOLTS, AMPS, DECLARED)
    assert not found.named


def test_the_tone_is_found_beside_a_drift():
    samples = [3.0 + 0.01 * n + 0.5 * math.cos(2 * math.pi * 0.05 * n + 0.6) for n in range(32)]
    found = phasor(samples, 50e-6, 1000.0)
    assert abs(found) == pytest.approx(0.5)
    assert cmath.phase(found) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("fastest", "says"), [(2500.0, "a square wave of at most 2500 Hz"), (None, "draws a direct one alone")]
)
def test_a_box_that_makes_no_tone_says_what_the_standard_asks_and_what_it_does(fastest, says):
    told = str(no_tone("mine", fastest))
    assert told.startswith("alternating method not measured: IEC 61960-3:2017 asks for")
    assert "1000 Hz ± 100 Hz" in told
    assert f"mine {says}" in told.replace("steps between two direct ones, ", "")
