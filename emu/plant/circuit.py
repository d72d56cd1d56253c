"""The circuit over one stretch of time: source, leads, stage; solved in closed form or by collocation.

Two cases. Either the current is known as a function of time (held, settling or ramping: `given`), then every
voltage follows exactly. Or it is bound to the voltage (stage fully on, or a regulation loop that has settled:
`bound`), then the current is found as a polynomial in time by collocation, while charge and the RC pairs are
still solved exactly for each trial; the iteration is Picard's, which the weak feedback makes quick.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from math import cos, inf, pi
from operator import mul

from emu.plant.expoly import Coefficients, Curve, compose, constant, product, respond, total
from emu.plant.sources import Feed, Panel


@dataclass(frozen=True, slots=True)
class Solved:
    """The circuit for `span` seconds.

    `volt` at the terminals, `charge` drawn, `used` what of it wears the source (Peukert), `pairs` the RC
    pairs' voltages. `power` and `square` (volt times current, current squared) are given where they are
    better not multiplied out; `reach` is a span to try next.
    """

    span: float
    current: Curve
    volt: Curve
    charge: Curve
    used: Curve
    pairs: tuple[Curve, ...]
    power: Curve | None = None
    square: Curve | None = None
    reach: float = inf


def given(feed: Feed, current: Curve, wanted: float, span: float, lead_ohm: float, henry: float) -> Solved:
    """All of the circuit when the current is known; `wanted` tells which branch of a limiting supply holds."""
    if not current.terms and len(current.poly) == 1:
        return _held(feed, current.poly[0], wanted, span, lead_ohm)
    charge = respond(0.0, 0.0, current, span)
    factor = feed.use(wanted)
    used = charge if factor == 1.0 else charge.scaled(factor)
    if isinstance(feed, Panel):
        volt = total([(1.0, _panel(feed, current, span)), (-lead_ohm, current)])
        return Solved(span, current, _inductive(volt, current, henry), charge, used, ())
    if not feed.dynamic:
        e0, ohm, _, _ = feed.branch(current(0.0), wanted)
        volt = total([(1.0, constant(e0)), (-(ohm + lead_ohm), current)])
        return Solved(span, current, _inductive(volt, current, henry), charge, used, ())
    pairs = tuple(
        respond(rate, volt, current.scaled(rate * ohm), span)
        for (rate, ohm), volt in zip(feed.pairs, feed.pair_volts, strict=True)
    )
    rest = feed.rest()
    ohm, slope = feed.line_ohm()
    # Over a short stretch the table's curve is a line to 1e-14 V, and the products of the higher powers vanish.
    most = abs(used(span))
    while len(rest) > 2 and abs(rest[-1]) * most ** (len(rest) - 1) < 1e-14:
        rest = rest[:-1]
    parts = [(1.0, compose(rest, used)), (-(ohm + lead_ohm), current)]
    if abs(slope) * most * abs(wanted) > 1e-14:
        parts.append((-slope, product(used, current)))
    parts += [(-1.0, _flattened(pair, span)) for pair in pairs]
    volt = _inductive(total(parts), current, henry)
    poly = volt.poly
    while len(poly) > 1 and abs(poly[-1]) * span ** (len(poly) - 1) < 1e-15:
        poly = poly[:-1]
    return Solved(span, current, Curve(poly, volt.terms), charge, used, pairs)


def _flattened(pair: Curve, span: float) -> Curve:
    """A slow pair's exponential over a short stretch as a polynomial, exact to 1e-11 of it: fewer products."""
    poly, terms = list(pair.poly), []
    for rate, c in pair.terms:
        if rate * span > 0.02 or len(c) > 1:
            terms.append((rate, c))
            continue
        value = c[0]
        for n in range(5):
            if n == len(poly):
                poly.append(0.0)
            poly[n] += value
            value *= -rate / (n + 1)
    return Curve(tuple(poly), tuple(terms))


def _held(feed: Feed, amps: float, wanted: float, span: float, lead_ohm: float) -> Solved:
    current = Curve((amps,))
    if isinstance(feed, Panel):
        return Solved(span, current, Curve((feed.volts(amps) - lead_ohm * amps,)), Curve((0.0, amps)),
                      Curve((0.0, amps)), ())
    if not feed.dynamic:
        e0, ohm, _, _ = feed.branch(amps, wanted)
        volt = Curve((e0 - (ohm + lead_ohm) * amps,))
        return Solved(span, current, volt, Curve((0.0, amps)), Curve((0.0, amps)), ())
    speed = feed.use(amps) * amps
    ohm, slope = feed.line_ohm()
    poly = list(feed.rest()) + [0.0]
    power = 1.0
    for n in range(1, len(poly)):
        power *= speed
        poly[n] *= power
    poly[0] -= (ohm + lead_ohm) * amps
    poly[1] -= slope * speed * amps
    pairs = []
    terms = []
    for (rate, pair_ohm), volt_now in zip(feed.pairs, feed.pair_volts, strict=True):
        final = pair_ohm * amps
        poly[0] -= final
        pairs.append(Curve((final,), ((rate, (volt_now - final,)),)))
        terms.append((rate, (final - volt_now,)))
    while len(poly) > 1 and poly[-1] == 0.0:
        poly.pop()
    return Solved(span, current, Curve(tuple(poly), tuple(terms)), Curve((0.0, amps)), Curve((0.0, speed)),
                  tuple(pairs))


def _inductive(volt: Curve, current: Curve, henry: float) -> Curve:
    return volt if henry == 0.0 else total([(1.0, volt), (-henry, current.slope())])


def _panel(feed: Panel, current: Curve, span: float) -> Curve:
    """The panel's voltage as a parabola of the current through both ends and the middle of the stretch."""
    a, b = current(0.0), current(span)
    m = 0.5 * (a + b)
    va, vm, vb = feed.volts(a), feed.volts(m), feed.volts(b)
    if abs(b - a) < 1e-9:
        return Curve((vb,))
    half = 0.5 * (b - a)
    bend = (va - 2.0 * vm + vb) / (2.0 * half * half)
    tilt = (vb - va) / (2.0 * half)
    return compose((vm - tilt * m + bend * m * m, tilt - 2.0 * bend * m, bend), current)


# ------------------------------------------------------------------------------------------- bound current

Law = Callable[[float, float, float], float | None]
"""(emf with the pairs' voltages taken off, ohm to the terminals, its change per second) -> current, or None
where the law has no answer or must not be trusted."""

_DEGREE = 8
_TAIL = 1e-11
_LEAST_SPAN = 1e-7


@cache
def _nodes() -> tuple[tuple[float, ...], tuple[Coefficients, ...], tuple[Coefficients, ...]]:
    """Chebyshev's extrema on [0, 1]; rows that turn values there into a polynomial's coefficients; rows that
    turn values into the last two Chebyshev coefficients, which tell whether the polynomial has converged."""
    n = _DEGREE
    x = [(1.0 - cos(pi * j / n)) / 2.0 for j in range(n + 1)]
    exact = [Fraction(value) for value in x]
    columns = []
    for j in range(n + 1):
        poly = [Fraction(1)]
        for k in range(n + 1):
            if k != j:
                gap = exact[j] - exact[k]
                raised = [Fraction(0), *poly]
                for m, c in enumerate(poly):
                    raised[m] -= exact[k] * c
                poly = [c / gap for c in raised]
        columns.append(poly)
    rows = tuple(tuple(float(columns[j][m]) for j in range(n + 1)) for m in range(n + 1))
    tails = []
    for k in (n - 1, n):
        row = []
        for j in range(n + 1):
            end = 0.5 if j in (0, n) else 1.0
            row.append((1.0 if k == n else 2.0) / n * end * cos(pi * k * (n - j) / n))
        tails.append(tuple(row))
    return tuple(x), rows, tuple(tails)


def bound(feed: Feed, law: Law, start: float, longest: float, guess: float, lead_ohm: float) -> Solved | None:
    """The circuit while `law` binds the current, as long as `guess` or shorter; None when it cannot be held.

    `start` is a first guess of the current. The span is shortened until the polynomial has converged to 1e-11.
    It may reach beyond the source's `room`: the forms there are smooth, and the caller ends at the knot.
    """
    x, rows, tails = _nodes()
    rest = feed.rest()
    slopes = [n * c for n, c in enumerate(rest)][1:]
    ohm, ohm_slope = feed.line_ohm()
    pairs = list(zip(feed.pairs, feed.pair_volts, strict=True))
    amps = [start] * (_DEGREE + 1)
    span = min(guess, longest)
    while span >= _LEAST_SPAN:
        solved = False
        emfs: list[float] = []
        ohms: list[float] = []
        for _ in range(30):
            c = [sum(map(mul, row, amps)) for row in rows]
            speeds = c
            if feed.use(amps[0]) != 1.0:
                wear = [feed.use(a) * a for a in amps]
                speeds = [sum(map(mul, row, wear)) for row in rows]
            used = [0.0, *[span * value / (n + 1) for n, value in enumerate(speeds)]]
            lags = [
                respond(rate * span, volt, Curve(tuple([rate * span * r * value for value in c])), 1.0)
                for (rate, r), volt in pairs
            ]
            joined = total([(1.0, lag) for lag in lags]) if lags else None
            emfs, ohms, following = [], [], []
            for j, at in enumerate(x):
                q = 0.0
                for value in reversed(used):
                    q = q * at + value
                e = 0.0
                for value in reversed(rest):
                    e = e * q + value
                fall = 0.0
                for value in reversed(slopes):
                    fall = fall * q + value
                fall *= amps[j] * feed.use(amps[j])
                if joined is not None:
                    e -= joined(at)
                    for (rate, r), lag in zip(feed.pairs, lags, strict=True):
                        fall -= rate * (r * amps[j] - lag(at))
                emfs.append(e)
                ohms.append(ohm + ohm_slope * q + lead_ohm)
                found = law(e, ohms[-1], fall)
                if found is None:
                    break
                following.append(found)
            if len(following) <= _DEGREE:
                break
            change = max(map(abs, map(float.__sub__, following, amps)))
            amps = following
            if change <= 2e-14 * (1.0 + abs(amps[0])):
                solved = True
                break
        largest = max(map(abs, amps))
        tail = sum(abs(sum(map(mul, row, amps))) for row in tails) if solved else inf
        if tail > _TAIL * largest + 1e-16:
            shrink = 0.25 if tail == inf else max(0.2, min(0.7, (_TAIL * largest / tail) ** (1.0 / _DEGREE)))
            span *= shrink
            amps = [start] * (_DEGREE + 1)
            continue
        c = [sum(map(mul, row, amps)) for row in rows]
        volts = [e - r * a for e, r, a in zip(emfs, ohms, amps, strict=True)]
        v = [sum(map(mul, row, volts)) for row in rows]
        powers = list(map(mul, volts, amps))
        w = [sum(map(mul, row, powers)) for row in rows]
        squares = [a * a for a in amps]
        growth = (_TAIL * largest / (tail + 1e-300)) ** (1.0 / _DEGREE) if largest else 8.0
        current = _in_seconds(c, span)
        charge = Curve((0.0, *[value / (n + 1) for n, value in enumerate(current.poly)]))
        if speeds is c or feed.use(amps[0]) == 1.0:
            used_curve = charge
        else:
            used_curve = Curve((0.0, *[q / (n + 1) for n, q in enumerate(_in_seconds(speeds, span).poly)]))
        return Solved(
            span,
            current,
            _in_seconds(v, span),
            charge,
            used_curve,
            tuple(
                Curve(_in_seconds(list(lag.poly), span).poly, tuple([(r / span, k) for r, k in lag.terms]))
                for lag in lags
            ),
            _in_seconds(w, span),
            _in_seconds([sum(map(mul, row, squares)) for row in rows], span),
            span * min(max(0.8 * growth, 0.5), 8.0),
        )
    return None


def _in_seconds(c: list[float], span: float) -> Curve:
    scale = 1.0
    poly = []
    for value in c:
        poly.append(value * scale)
        scale /= span
    return Curve(tuple(poly))
