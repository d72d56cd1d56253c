"""Calibration against published examples and textbook values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wirevow.emu.plant.converter import Converter, standard_normal
from wirevow.emu.plant.sections import Channel
from wirevow.protocol.calibration import fit_line, fit_two_points, quantisation_rms, step_of, sweep, trim

# JCGM 100:2008 (GUM), example H.3: a thermometer's readings (Cel) and its observed corrections.
TEMPERATURES = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_gum_h3_thermometer() -> None:
    line = fit_line(TEMPERATURES, CORRECTIONS, reference=20.0)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.u_intercept == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.scatter == pytest.approx(0.0035, abs=5e-5)
    value, uncertainty = line.at(30.0)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert uncertainty == pytest.approx(0.0041, abs=5e-5)
    assert line.freedom == 9


def test_least_squares_agrees_with_numpy() -> None:
    """numpy.polyfit with covariance scaled by the residuals is an independent implementation."""
    generator = np.random.default_rng(3)
    x = np.sort(generator.uniform(0, 36, 40))
    y = 1.003 * x - 0.02 + generator.normal(0, 0.01, 40)
    (slope, intercept), covariance = np.polyfit(x, y, 1, cov=True)
    line = fit_line(x.tolist(), y.tolist())
    assert line.slope == pytest.approx(slope, rel=1e-12)
    assert line.intercept == pytest.approx(intercept, rel=1e-9)
    assert line.u_slope == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-9)
    assert line.covariance == pytest.approx(covariance[0, 1], rel=1e-9)


@given(
    st.floats(-5, 5),
    st.floats(0.1, 3),
    st.floats(0.0, 10),
    st.floats(10.5, 40),
    st.floats(0, 0.1),
    st.floats(0, 0.1),
)
def test_two_points_give_each_point_its_own_uncertainty_back(
    shift: float, gain: float, a: float, b: float, ua: float, ub: float
) -> None:
    line = fit_two_points((a, b), (gain * a + shift, gain * b + shift), (ua, ub), reference=3.0)
    assert line.at(a)[0] == pytest.approx(gain * a + shift, abs=1e-9)
    assert line.at(a)[1] == pytest.approx(ua, abs=1e-7)
    assert line.at(b)[1] == pytest.approx(ub, abs=1e-7)


@pytest.mark.parametrize("bits", [8, 10])
def test_a_sweep_finds_step_and_bow(bits: int) -> None:
    channel = Channel(low=0.0, high=8.4, bits=bits, bow=0.004, gain_error=0.01, offset=0.02)
    converter = Converter(channel, "input.current", 1)
    step = step_of(8.4, bits)
    values = np.arange(0.0, 8.2, step / 40).tolist()
    seen = sweep(values, [round(converter.convert(v, 0) / step) for v in values])
    # The bow is 0 at both ends and 0.004 of full scale in the middle; the sweep ends a little early.
    assert seen.worst_integral * step == pytest.approx(0.004 * 8.4, rel=0.05)
    assert seen.step == pytest.approx(step / 1.01, rel=0.005)
    assert seen.worst_differential < 0.1


def test_a_missing_code_has_differential_minus_one() -> None:
    values = [i / 100 for i in range(1000)]
    codes = [int(v) if int(v) != 4 else 5 for v in values]
    seen = sweep(values, codes)
    assert dict(zip(seen.codes, seen.differential, strict=True))[4] == pytest.approx(-1.0)


def test_a_step_of_twelve_bits_over_8_4_ampere() -> None:
    """About 2 mA: common practice, no source; 2.051 mA by arithmetic."""
    assert step_of(8.4, 12) == pytest.approx(2.051e-3, abs=5e-7)


def test_quantisation_noise_of_a_full_scale_sine() -> None:
    """SNR = 6.02 N + 1.76 dB (IEEE Std 1241), measured through the converter itself."""
    bits = 10
    converter = Converter(Channel(low=-1.0, high=1.0, bits=bits), "x", 0)
    phases = np.linspace(0, 2 * math.pi * 997, 100_000, endpoint=False)
    signal = (1 - 2**-bits) * np.sin(phases)
    noise = np.array([converter.convert(v, 0) for v in signal.tolist()]) - signal
    decibel = 10 * math.log10(float((signal**2).mean() / (noise**2).mean()))
    assert decibel == pytest.approx(6.02 * bits + 1.76, abs=0.1)
    assert math.sqrt(float((noise**2).mean())) == pytest.approx(quantisation_rms(2 / 2**bits), rel=0.02)


def test_noise_is_standard_normal_and_a_function_of_its_number() -> None:
    """Kolmogorov-Smirnov against the normal distribution, by scipy."""
    from scipy.stats import kstest

    drawn = [standard_normal(12345, n) for n in range(20_000)]
    assert kstest(drawn, "norm").pvalue > 1e-3
    assert standard_normal(12345, 77) == drawn[77]
    assert abs(float(np.corrcoef(drawn[:-1], drawn[1:])[0, 1])) < 0.03


def test_trims_undo_gain_and_offset() -> None:
    true = [0.5, 1.0, 2.0, 4.0, 6.0]
    gain, shift = trim(true, [1.02 * v - 0.03 for v in true])
    assert [(1.02 * v - 0.03) * gain + shift for v in true] == pytest.approx(true, abs=1e-12)
    # Taken with trims in force, the new ones replace them.
    again = trim(true, [(1.02 * v - 0.03) * 0.9 + 0.1 for v in true], gain=0.9, shift=0.1)
    assert again == pytest.approx((gain, shift), rel=1e-9)


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [
        ([1.0, 2.0], [1.0], "pair up"),
        ([1.0, 2.0], [1.0, 2.0], "at least 3"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], "spread"),
        ([1.0, math.nan, 2.0], [1.0, 2.0, 3.0], "finite"),
    ],
)
def test_points_that_make_no_line_are_refused(x: list[float], y: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        fit_line(x, y)
