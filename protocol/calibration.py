"""Calibration computations: straight lines with uncertainties, and the errors of converters from a sweep.

Straight lines by least squares follow JCGM 100:2008 (GUM), annex H.3: y = intercept + slope (x - reference),
with the standard uncertainties of both and their correlation from the scatter of the points. The two-point
fit takes the uncertainties of its points instead, as two points have no scatter (law of propagation, GUM
5.1.2).
Converter terms (step, differential and integral non-linearity) are those of IEEE Std 1241.

Values are floats in whatever unit the caller uses; nothing here knows about instruments.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope (x - reference), with standard uncertainties and their covariance."""

    intercept: float
    slope: float
    reference: float
    u_intercept: float
    u_slope: float
    covariance: float
    scatter: float
    """Standard deviation of the points about the line; 0 for a line through two points."""
    freedom: int
    """Degrees of freedom behind the uncertainties; 0 where they came from the points' own."""

    @property
    def correlation(self) -> float:
        """Correlation coefficient of intercept and slope, -1 to 1; 0 when either is exact."""
        product = self.u_intercept * self.u_slope
        return self.covariance / product if product else 0.0

    def at(self, x: float) -> tuple[float, float]:
        """(value, standard uncertainty) of the line at `x`."""
        d = x - self.reference
        variance = self.u_intercept**2 + d * d * self.u_slope**2 + 2.0 * d * self.covariance
        return self.intercept + self.slope * d, math.sqrt(max(variance, 0.0))

    def inverted(self) -> tuple[float, float]:
        """(gain, shift) that turn a reading back: x = gain y + shift. `ValueError` for a flat line."""
        if self.slope == 0.0:
            raise ValueError("the line is flat: the readings do not follow the true values, check the wiring")
        return 1.0 / self.slope, self.reference - self.intercept / self.slope


def _checked(x: Sequence[float], y: Sequence[float], least: int) -> None:
    if len(x) != len(y):
        raise ValueError(
            f"{len(x)} true values and {len(y)} readings do not pair up: give one reading for each"
        )
    if len(x) < least:
        raise ValueError(f"{len(x)} points are too few: give at least {least}")
    if not all(map(math.isfinite, [*x, *y])):
        raise ValueError("a point is not a finite number: leave it out")
    if min(x) == max(x):
        raise ValueError("all points are at one true value: spread them over the range")


def fit_two_points(
    x: tuple[float, float],
    y: tuple[float, float],
    u_y: tuple[float, float] = (0.0, 0.0),
    reference: float = 0.0,
) -> Line:
    """The line through two points whose readings have independent standard uncertainties `u_y`."""
    _checked(x, y, 2)
    span = x[1] - x[0]
    slope = (y[1] - y[0]) / span
    # intercept = w0 y0 + w1 y1 and slope = (y1 - y0) / span: both linear in the readings.
    w0, w1 = (x[1] - reference) / span, (reference - x[0]) / span
    v0, v1 = u_y[0] ** 2, u_y[1] ** 2
    return Line(
        intercept=w0 * y[0] + w1 * y[1],
        slope=slope,
        reference=reference,
        u_intercept=math.sqrt(w0 * w0 * v0 + w1 * w1 * v1),
        u_slope=math.sqrt(v0 + v1) / abs(span),
        covariance=(w1 * v1 - w0 * v0) / span,
        scatter=0.0,
        freedom=0,
    )


def fit_line(x: Sequence[float], y: Sequence[float], reference: float = 0.0) -> Line:
    """Least squares with equal weights (GUM H.3.2): uncertainties from the scatter, n - 2 of freedom."""
    _checked(x, y, 3)
    n = len(x)
    mean_x, mean_y = math.fsum(x) / n, math.fsum(y) / n
    sxx = math.fsum((a - mean_x) ** 2 for a in x)
    slope = math.fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / sxx
    rest = math.fsum((b - mean_y - slope * (a - mean_x)) ** 2 for a, b in zip(x, y, strict=True))
    variance = rest / (n - 2)
    d = mean_x - reference
    return Line(
        intercept=mean_y - slope * d,
        slope=slope,
        reference=reference,
        u_intercept=math.sqrt(variance * (1.0 / n + d * d / sxx)),
        u_slope=math.sqrt(variance / sxx),
        covariance=-d * variance / sxx,
        scatter=math.sqrt(variance),
        freedom=n - 2,
    )


def trim(
    true: Sequence[float], read: Sequence[float], gain: float = 1.0, shift: float = 0.0
) -> tuple[float, float]:
    """New (gain, shift) of a trimmed reading, from a sweep taken with the trims `gain` and `shift` in force.

    A trimmed reading is raw * gain + shift; the new trims make the least-squares line through the points the
    identity. `ValueError` for fewer than three points or a flat line.
    """
    back, offset = fit_line(true, read).inverted()
    return back * gain, back * shift + offset


@dataclass(frozen=True, slots=True)
class Sweep:
    """What a sweep of a converter shows. Non-linearities are in steps, one for each code (`codes`)."""

    step: float
    """Width of an average code, in the unit of the transitions."""
    offset: float
    """Where the end-point line puts the transition to code 0."""
    codes: tuple[int, ...]
    differential: tuple[float, ...]
    """Width of the code over the average width, less one; -1 is a missing code."""
    integral: tuple[float, ...]
    """Distance of the code's lower transition from the line through the first and last."""

    @property
    def worst_differential(self) -> float:
        return max(map(abs, self.differential))

    @property
    def worst_integral(self) -> float:
        return max(map(abs, self.integral))


def sweep(values: Sequence[float], codes: Sequence[int]) -> Sweep:
    """Step and non-linearities of a converter from a slow rising sweep: true value and code of each sample.

    The transition to a code is put half-way between the last sample below it and the first at or above it, so
    the sweep must be finer than the steps (ten samples a step put transitions within a twentieth of one). The
    line is the end-point line (IEEE Std 1241, 4.4). `ValueError` when the values do not rise, or fewer than
    three transitions are seen.
    """
    if len(values) != len(codes):
        raise ValueError(
            f"{len(values)} values and {len(codes)} codes do not pair up: give one code for each"
        )
    if any(b < a for a, b in pairwise(values)):
        raise ValueError("the sweep goes back: give the samples by rising value")
    transitions: list[tuple[int, float]] = []
    highest = codes[0] if codes else 0
    for (before, after), code in zip(pairwise(values), codes[1:], strict=True):
        # A code skipped over is missing: its transition is that of the next one, and its width nothing.
        for reached in range(highest + 1, code + 1):
            transitions.append((reached, 0.5 * (before + after)))
        highest = max(highest, code)
    if len(transitions) < 3:
        raise ValueError(f"{len(transitions)} transitions are too few: sweep over at least four codes")
    first, last = transitions[0], transitions[-1]
    step = (last[1] - first[1]) / (last[0] - first[0])
    return Sweep(
        step=step,
        offset=first[1] - first[0] * step,
        codes=tuple(code for code, _ in transitions[:-1]),
        differential=tuple((b - a) / step - 1.0 for (_, a), (_, b) in pairwise(transitions)),
        integral=tuple((at - first[1]) / step - (code - first[0]) for code, at in transitions[:-1]),
    )


def step_of(span: float, bits: int) -> float:
    """A converter's step: its range over 2^bits."""
    return span / 2.0**bits


def quantisation_rms(step: float) -> float:
    """Rms error of rounding to steps, for a value that moves over many of them: step / sqrt(12)."""
    return step / math.sqrt(12.0)
