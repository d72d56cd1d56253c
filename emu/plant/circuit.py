"""The circuit over one stretch of time: source, leads, stage; solved in closed form or by collocation.

When the current is known as a function of time (held, settling or ramping: `given`), every voltage follows
exactly. When it is bound to the voltage (stage fully on, or a regulation loop that has settled), see
`collocation.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from wirevow.emu.plant.expoly import Curve, compose, constant, product, respond, total
from wirevow.emu.plant.sources import Feed, Panel


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
    """The circuit when the current is known; `wanted` tells which branch of a limiting supply holds."""
    if current.constant:
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
    # Over a short stretch the table's curve is a line to 1e-14 V: its higher powers vanish.
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
    return Solved(span, current, Curve(poly, volt.decays, volt.terms), charge, used, pairs)


def _flattened(pair: Curve, span: float) -> Curve:
    """A slow pair's exponential over a short stretch as a polynomial, to 1e-11 of it: fewer products."""
    poly, decays = list(pair.poly), []
    for rate, c in pair.decays:
        if rate * span > 0.02:
            decays.append((rate, c))
            continue
        value = c
        for n in range(5):
            if n == len(poly):
                poly.append(0.0)
            poly[n] += value
            value *= -rate / (n + 1)
    return Curve(tuple(poly), tuple(decays), pair.terms)


def _held(feed: Feed, amps: float, wanted: float, span: float, lead_ohm: float) -> Solved:
    current = Curve((amps,))
    if isinstance(feed, Panel):
        return Solved(
            span,
            current,
            Curve((feed.volts(amps) - lead_ohm * amps,)),
            Curve((0.0, amps)),
            Curve((0.0, amps)),
            (),
        )
    if not feed.dynamic:
        e0, ohm, _, _ = feed.branch(amps, wanted)
        volt = Curve((e0 - (ohm + lead_ohm) * amps,))
        return Solved(span, current, volt, Curve((0.0, amps)), Curve((0.0, amps)), ())
    speed = feed.use(amps) * amps
    ohm, slope = feed.line_ohm()
    poly = [*feed.rest(), 0.0]
    power = 1.0
    for n in range(1, len(poly)):
        power *= speed
        poly[n] *= power
    poly[0] -= (ohm + lead_ohm) * amps
    poly[1] -= slope * speed * amps
    pairs = []
    decays = []
    for (rate, pair_ohm), volt_now in zip(feed.pairs, feed.pair_volts, strict=True):
        final = pair_ohm * amps
        poly[0] -= final
        pairs.append(Curve((final,), ((rate, volt_now - final),)))
        decays.append((rate, final - volt_now))
    while len(poly) > 1 and poly[-1] == 0.0:
        poly.pop()
    return Solved(
        span,
        current,
        Curve(tuple(poly), tuple(decays)),
        Curve((0.0, amps)),
        Curve((0.0, speed)),
        tuple(pairs),
    )


def _inductive(volt: Curve, current: Curve, henry: float) -> Curve:
    return volt if henry == 0.0 else total([(1.0, volt), (-henry, current.slope())])


def _panel(feed: Panel, current: Curve, span: float) -> Curve:
    """The panel's voltage as the chord between a stretch's ends; `Panel.branch` keeps stretches short."""
    a = current(0.0)
    _, _, low, high = feed.branch(a, a)
    b = min(max(current(span), low), high)
    va, vb = feed.volts(a), feed.volts(b)
    if abs(b - a) < 1e-9:
        return Curve((vb,))
    tilt = (vb - va) / (b - a)
    return total([(1.0, constant(va - tilt * a)), (tilt, current)])
