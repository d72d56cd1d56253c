"""Exponential polynomials: sums of p(t) exp(-r t), the closed form of everything linear in the plant.

A first-order lag driven by an exponential polynomial is one again (`respond`), and so are sums, products and
integrals; with them, a stretch of time is solved exactly, without steps. Two dangers are met in `respond`:

- resonance: a forcing rate r next to the lag's own rate L makes 1 / (L - r) blow up;
- cancellation: when |L - r| h is small, the decaying part and the polynomial part nearly cancel.

Both go away when the response to such a term is written as exp(-r t) times a Taylor polynomial instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from math import exp

Coefficients = tuple[float, ...]
Term = tuple[float, Coefficients]


class Curve:
    """p(t) + sum of p_j(t) exp(-r_j t), t in s from the start of its stretch; coefficients by rising power."""

    __slots__ = ("poly", "terms")

    def __init__(self, poly: Coefficients, terms: tuple[Term, ...] = ()) -> None:
        self.poly = poly
        self.terms = terms

    def __call__(self, t: float) -> float:
        value = 0.0
        for c in reversed(self.poly):
            value = value * t + c
        for rate, coefficients in self.terms:
            if len(coefficients) == 1:
                value += coefficients[0] * exp(-rate * t)
            else:
                inner = 0.0
                for c in reversed(coefficients):
                    inner = inner * t + c
                value += inner * exp(-rate * t)
        return value

    def scaled(self, factor: float) -> Curve:
        return Curve(
            tuple([factor * c for c in self.poly]),
            tuple([(rate, tuple([factor * c for c in coefficients])) for rate, coefficients in self.terms]),
        )

    def slope(self) -> Curve:
        """Its derivative in time."""
        terms = []
        for rate, c in self.terms:
            moved = [n * c[n] for n in range(1, len(c))]
            moved.append(0.0)
            terms.append((rate, tuple([m - rate * x for m, x in zip(moved, c, strict=True)])))
        return Curve(tuple([n * self.poly[n] for n in range(1, len(self.poly))]), tuple(terms))

    def later(self, dt: float) -> Curve:
        """The same function with its time counted from `dt` later."""
        if dt == 0.0:
            return self
        terms = []
        for rate, c in self.terms:
            decay = exp(-rate * dt)
            if decay > 1e-300:
                terms.append((rate, tuple([decay * x for x in _shift(c, dt)])))
        return Curve(_shift(self.poly, dt), tuple(terms))

    def steepest(self, a: float, b: float) -> float:
        """A bound of the slope's size on a <= t <= b."""
        bound = 0.0
        power = 1.0
        poly = self.poly
        for n in range(1, len(poly)):
            bound += n * abs(poly[n]) * power
            power *= b
        for rate, coefficients in self.terms:
            decay = exp(-rate * a)
            if len(coefficients) == 1:
                bound += abs(rate * coefficients[0]) * decay
            else:
                power, lower = 1.0, 0.0
                inner = 0.0
                for n, c in enumerate(coefficients):
                    inner += abs(c) * (rate * power + n * lower)
                    lower, power = power, power * b
                bound += inner * decay
        return bound


def _shift(c: Coefficients, dt: float) -> Coefficients:
    """Taylor shift of a polynomial by repeated synthetic division."""
    shifted = list(c)
    last = len(shifted) - 1
    for i in range(last):
        for j in range(last - 1, i - 1, -1):
            shifted[j] += dt * shifted[j + 1]
    return tuple(shifted)


def constant(value: float) -> Curve:
    return Curve((value,))


def total(curves: Sequence[tuple[float, Curve]]) -> Curve:
    """Weighted sum; terms of the same rate are joined."""
    longest = 1
    for _, curve in curves:
        if len(curve.poly) > longest:
            longest = len(curve.poly)
    poly = [0.0] * longest
    terms: dict[float, Coefficients] = {}
    for weight, curve in curves:
        for n, c in enumerate(curve.poly):
            poly[n] += weight * c
        for rate, coefficients in curve.terms:
            known = terms.get(rate)
            if len(coefficients) == 1 and (known is None or len(known) == 1):
                terms[rate] = (weight * coefficients[0] + (known[0] if known is not None else 0.0),)
            else:
                terms[rate] = _add(known or (), tuple([weight * c for c in coefficients]))
    return Curve(tuple(poly), tuple(terms.items()))


def _add(a: Coefficients, b: Coefficients) -> Coefficients:
    if len(a) < len(b):
        a, b = b, a
    joined = list(a)
    for n, c in enumerate(b):
        joined[n] += c
    return tuple(joined)


def _multiply(a: Coefficients, b: Coefficients) -> Coefficients:
    if len(a) == 1:
        return tuple([a[0] * x for x in b])
    if len(b) == 1:
        return tuple([x * b[0] for x in a])
    joined = [0.0] * (len(a) + len(b) - 1)
    for n, x in enumerate(a):
        if x:
            for m, y in enumerate(b, n):
                joined[m] += x * y
    return tuple(joined)


def product(a: Curve, b: Curve) -> Curve:
    """a(t) b(t); rates add."""
    poly = _multiply(a.poly, b.poly)
    terms: dict[float, Coefficients] = {}
    for rate, coefficients in a.terms:
        terms[rate] = _add(terms.get(rate, ()), _multiply(coefficients, b.poly))
    for rate, coefficients in b.terms:
        terms[rate] = _add(terms.get(rate, ()), _multiply(coefficients, a.poly))
    for rate_a, ca in a.terms:
        for rate_b, cb in b.terms:
            rate = rate_a + rate_b
            terms[rate] = _add(terms.get(rate, ()), _multiply(ca, cb))
    return Curve(poly, tuple(terms.items()))


_TAYLOR_BELOW = {1: 0.0, 2: 0.01, 3: 0.05, 4: 0.15}
"""By number of coefficients: the |rate difference| x time below which the Taylor form loses less.

The stable form divides by it once for each power; with c coefficients the rounding of the highest is raised by
(c-1)! / x^c, so the limit grows with c. One coefficient alone loses nothing worth the longer form."""


def _driven(difference: float, c: Coefficients, span: float) -> Coefficients:
    """u(t) with u' + difference u = c(t): stable form, or u(0) = 0 and Taylor when `difference * span` is small."""
    x = abs(difference) * span
    count = len(c)
    if x >= _TAYLOR_BELOW.get(count, 4.0) and x > 1e-6:
        u = [0.0] * count
        above = 0.0
        for n in range(count - 1, -1, -1):
            above = (c[n] - (n + 1) * above) / difference
            u[n] = above
        return tuple(u)
    series = [0.0]
    scale = 1.0
    for n in range(60):
        forcing = c[n] if n < count else 0.0
        following = (forcing - difference * series[n]) / (n + 1)
        if n >= count and abs(following) * scale * span <= 1e-18 * (abs(series[1]) * span + 1e-30):
            break
        series.append(following)
        scale *= span
    return tuple(series)


def respond(rate: float, start: float, forcing: Curve, span: float) -> Curve:
    """y with y' = -rate y + forcing(t), y(0) = start, good for 0 <= t <= span. With rate 0, the integral."""
    particular = _driven(rate, forcing.poly, span)
    own = start - particular[0]
    terms: list[Term] = []
    same: Coefficients = ()
    for r, c in forcing.terms:
        if r == rate:
            same = _driven(0.0, c, span)
            continue
        u = _driven(rate - r, c, span)
        own -= u[0]
        terms.append((r, u))
    if rate == 0.0:
        return Curve((particular[0] + own, *particular[1:]), tuple(terms))
    terms.append((rate, (own, *same[1:]) if same else (own,)))
    return Curve(particular, tuple(terms))


def first_exit(curve: Curve, low: float, high: float, a: float, b: float) -> float | None:
    """First t in (a, b] at which the curve is <= low or >= high, to the resolution of a double; None if never.

    Rigorous: an interval is passed over only when the slope's bound proves that it holds no exit.
    """
    if b <= a:
        return None
    here = curve(a)
    slack = min(here - low, high - here)
    if slack > 0.0 and slack > curve.steepest(a, b) * (b - a):
        return None
    return _search(curve, low, high, a, here, b)


def _search(curve: Curve, low: float, high: float, a: float, at_a: float, b: float) -> float | None:
    smallest = max(1e-10, 4e-16 * b)
    stack = [b]
    slope: Curve | None = None
    while stack:
        right = stack[-1]
        width = right - a
        at_right = curve(right)
        outside = not low < at_right < high
        if width <= smallest:
            if outside:
                return right
            a, at_a = right, at_right
            stack.pop()
            continue
        steep = curve.steepest(a, right)
        # Without an exit at the right end, the curve can reach at most this far beyond either end.
        if not outside and low < at_a < high:
            reach = 0.5 * steep * width
            middle = 0.5 * (at_a + at_right)
            if middle + reach < high and middle - reach > low:
                a, at_a = right, at_right
                stack.pop()
                continue
        if slope is None:
            slope = curve.slope()
        change = slope.steepest(a, right) * width
        if abs(slope(a)) > change:  # monotone here: at most one exit, at a bracketed root
            if not outside:
                a, at_a = right, at_right
                stack.pop()
                continue
            level = low if at_right <= low else high
            if (at_a < level) != (at_right < level) or at_right == level:
                return _root(curve, level, a, at_a, right, at_right)
        stack.append(a + 0.5 * width)
    return None


def _root(curve: Curve, level: float, a: float, fa: float, b: float, fb: float) -> float:
    """The root of curve - level bracketed by a < b (Illinois form of false position, then bisection)."""
    fa -= level
    fb -= level
    for step in range(80):
        if b - a <= max(1e-11, 2e-16 * b):
            break
        x = b - fb * (b - a) / (fb - fa) if step < 30 and fb != fa else 0.5 * (a + b)
        if not a < x < b:
            x = 0.5 * (a + b)
        fx = curve(x) - level
        if fx == 0.0:
            return x
        if (fx < 0.0) == (fb < 0.0):
            b, fb = x, fx
            fa *= 0.5
        else:
            a, fa = x, fx
            fb *= 0.5
    return b


def compose(c: Sequence[float], inner: Curve) -> Curve:
    """The polynomial c[0] + c[1] x + ... of x = inner(t)."""
    value = Curve((c[-1],))
    for factor in reversed(c[:-1]):
        value = product(value, inner)
        value = Curve((value.poly[0] + factor, *value.poly[1:]), value.terms)
    return value


def is_finite(curve: Curve) -> bool:
    return all(map(math.isfinite, curve.poly))
