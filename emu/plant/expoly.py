"""Exponential polynomials: sums of p(t) exp(-r t), the closed form of everything linear in the plant.

A first-order lag driven by an exponential polynomial is one again (`respond`), and so are sums, products and
integrals; with them, a stretch of time is solved exactly, without steps. Two dangers are met in `respond`:

- resonance: a forcing rate r next to the lag's own rate L makes 1 / (L - r) blow up;
- cancellation: when |L - r| h is small, the decaying part and the polynomial part nearly cancel.

Both go away when the response to such a term is written as exp(-r t) times a Taylor polynomial instead.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import exp

Coefficients = tuple[float, ...]
Decay = tuple[float, float]
Term = tuple[float, Coefficients]


class Curve:
    """p(t) + sum of a exp(-r t) + sum of p_j(t) exp(-r_j t), t in s from the start of its stretch.

    `poly` by rising power; `decays` are (r, a); `terms` are (r_j, p_j) with at least two coefficients.
    """

    __slots__ = ("decays", "poly", "terms")

    def __init__(
        self, poly: Coefficients, decays: tuple[Decay, ...] = (), terms: tuple[Term, ...] = ()
    ) -> None:
        self.poly = poly
        self.decays = decays
        self.terms = terms

    def __call__(self, t: float) -> float:
        value = 0.0
        for c in reversed(self.poly):
            value = value * t + c
        for rate, c in self.decays:
            value += c * exp(-rate * t)
        for rate, coefficients in self.terms:
            inner = 0.0
            for c in reversed(coefficients):
                inner = inner * t + c
            value += inner * exp(-rate * t)
        return value

    @property
    def constant(self) -> bool:
        return len(self.poly) == 1 and not self.decays and not self.terms

    def scaled(self, factor: float) -> Curve:
        return Curve(
            tuple([factor * c for c in self.poly]),
            tuple([(rate, factor * c) for rate, c in self.decays]),
            tuple([(rate, tuple([factor * c for c in coefficients])) for rate, coefficients in self.terms]),
        )

    def slope(self) -> Curve:
        """Its derivative in time."""
        terms = []
        for rate, c in self.terms:
            moved = [n * c[n] for n in range(1, len(c))]
            moved.append(0.0)
            terms.append((rate, tuple([m - rate * x for m, x in zip(moved, c, strict=True)])))
        return Curve(
            tuple([n * self.poly[n] for n in range(1, len(self.poly))]) or (0.0,),
            tuple([(rate, -rate * c) for rate, c in self.decays]),
            tuple(terms),
        )

    def later(self, dt: float) -> Curve:
        """The same function with its time counted from `dt` later."""
        if dt == 0.0:
            return self
        return Curve(
            _shift(self.poly, dt),
            tuple([(rate, c * exp(-rate * dt)) for rate, c in self.decays]),
            tuple([(rate, tuple([exp(-rate * dt) * x for x in _shift(c, dt)])) for rate, c in self.terms]),
        )

    def limits(self, b: float) -> tuple[float, float]:
        """Bounds of its values on 0 <= t <= b: each power and each exponential is monotone there."""
        low = high = self.poly[0]
        power = b
        for c in self.poly[1:]:
            x = c * power
            if x < 0.0:
                low += x
            else:
                high += x
            power *= b
        for rate, c in self.decays:
            x = c * exp(-rate * b)
            if x < c:
                low += x
                high += c
            else:
                low += c
                high += x
        for _, coefficients in self.terms:
            power = 1.0
            for c in coefficients:
                x = c * power
                if x < 0.0:
                    low += x
                else:
                    high += x
                power *= b
        return low, high

    def steepest(self, a: float, b: float) -> float:
        """A bound of the slope's size on a <= t <= b."""
        bound = 0.0
        power = 1.0
        poly = self.poly
        for n in range(1, len(poly)):
            bound += n * abs(poly[n]) * power
            power *= b
        for rate, c in self.decays:
            bound += abs(rate * c) * exp(-rate * a)
        for rate, coefficients in self.terms:
            power, lower = 1.0, 0.0
            inner = 0.0
            for n, c in enumerate(coefficients):
                inner += abs(c) * (rate * power + n * lower)
                lower, power = power, power * b
            bound += inner * exp(-rate * a)
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
    """Weighted sum; exponentials of the same rate are joined."""
    poly: list[float] = []
    decays: dict[float, float] = {}
    terms: dict[float, Coefficients] = {}
    for weight, curve in curves:
        for n, c in enumerate(curve.poly):
            if n < len(poly):
                poly[n] += weight * c
            else:
                poly.append(weight * c)
        for rate, c in curve.decays:
            decays[rate] = decays.get(rate, 0.0) + weight * c
        for rate, coefficients in curve.terms:
            terms[rate] = _add(terms.get(rate, ()), tuple([weight * c for c in coefficients]))
    return Curve(tuple(poly), tuple(decays.items()), tuple(terms.items()))


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
    if a.constant:
        return b.scaled(a.poly[0])
    if b.constant:
        return a.scaled(b.poly[0])
    terms: dict[float, Coefficients] = {}
    of_a = [(rate, (c,)) for rate, c in a.decays] + list(a.terms)
    of_b = [(rate, (c,)) for rate, c in b.decays] + list(b.terms)
    for rate, coefficients in of_a:
        terms[rate] = _add(terms.get(rate, ()), _multiply(coefficients, b.poly))
    for rate, coefficients in of_b:
        terms[rate] = _add(terms.get(rate, ()), _multiply(coefficients, a.poly))
    for rate_a, ca in of_a:
        for rate_b, cb in of_b:
            rate = rate_a + rate_b
            terms[rate] = _add(terms.get(rate, ()), _multiply(ca, cb))
    return _sorted(_multiply(a.poly, b.poly), terms.items())


def _sorted(poly: Coefficients, terms: Iterable[Term]) -> Curve:
    decays: list[Decay] = []
    longer: list[Term] = []
    for rate, c in terms:
        if len(c) == 1:
            decays.append((rate, c[0]))
        else:
            longer.append((rate, c))
    return Curve(poly, tuple(decays), tuple(longer))


_TAYLOR_BELOW = {1: 1e-6, 2: 0.01, 3: 0.05, 4: 0.15}
"""By number of coefficients: the |rate difference| x time below which the Taylor form loses less.

The stable form divides by it once for each power; with c coefficients the rounding of the highest is raised
by (c-1)! / x^c, so the limit grows with c, up to 1: high coefficients are small where a polynomial has
converged.
One coefficient alone loses nothing worth the longer form."""


def _driven(difference: float, c: Coefficients, span: float) -> Coefficients:
    """u(t) with u' + difference u = c(t): stable form, or Taylor with u(0) = 0 when the product is small."""
    x = abs(difference) * span
    count = len(c)
    if x > _TAYLOR_BELOW.get(count, 1.0):
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
    return _respond(rate, start, forcing, 1.0, span)


def responses(
    rates: Sequence[float], starts: Sequence[float], pushes: Sequence[float], forcing: Curve, span: float
) -> list[Curve]:
    """`respond` to one forcing, weighted by `pushes`, for several lags."""
    return [
        _respond(rate, start, forcing, push, span)
        for rate, start, push in zip(rates, starts, pushes, strict=True)
    ]


def _respond(rate: float, own: float, forcing: Curve, weight: float, span: float) -> Curve:
    poly = forcing.poly
    count = len(poly)
    x = rate * span
    if x > 1.0 or (count < 5 and x > _TAYLOR_BELOW[count]):
        above = 0.0
        stable = [0.0] * count
        for n in range(count - 1, -1, -1):
            above = (weight * poly[n] - (n + 1) * above) / rate
            stable[n] = above
        own -= above
        particular = tuple(stable)
    else:
        particular = _driven(rate, tuple([weight * c for c in poly]), span)
        own -= particular[0]
    decays: list[Decay] = []
    terms: list[Term] = []
    same: Coefficients = ()
    for r, c in forcing.decays:
        difference = rate - r
        if not -1e-6 < difference * span < 1e-6:
            u = weight * c / difference
            own -= u
            decays.append((r, u))
        elif difference == 0.0:
            same = (0.0, weight * c)
        else:
            driven = _driven(difference, (weight * c,), span)
            own -= driven[0]
            terms.append((r, driven))
    for r, coefficients in forcing.terms:
        driven = _driven(rate - r, tuple([weight * c for c in coefficients]), span)
        if r == rate:
            same = _add(same, driven)
        else:
            own -= driven[0]
            terms.append((r, driven))
    if rate == 0.0:
        particular = (particular[0] + own, *particular[1:])
    elif same:
        terms.append((rate, (own, *same[1:])))
    else:
        decays.append((rate, own))
    return Curve(particular, tuple(decays), tuple(terms))


def first_exit(curve: Curve, low: float, high: float, a: float, b: float) -> float | None:
    """First t in [a, b] at which the curve is <= low or >= high, as exactly as a double has it, or None.

    Rigorous: an interval is passed over only when the slope's bound proves that it holds no exit. A constant
    has no exit, not even one that rests exactly on a bound: there is no moment at which it gets there.
    """
    if b <= a:
        return None
    least, most = curve.limits(b)
    if (least > low and most < high) or least == most:
        return None
    here = curve(a)
    if not low < here < high:
        return a
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
        value = Curve((value.poly[0] + factor, *value.poly[1:]), value.decays, value.terms)
    return value
