"""The circuit while the current is bound to the voltage: a polynomial in time by collocation.

The current at the Chebyshev extrema of a span is iterated (Picard): from it follow the charge used and the RC
pairs' voltages, linear in it, hence the source's voltage, hence the current again by the law. The feedback is
weak, so a few rounds do. Whether the polynomial resolves the solution shows in its last two Chebyshev
coefficients (Trefethen, Approximation Theory and Approximation Practice, 2013).

A pair much faster than the span leaves a short exponential at the start (after a knot of the battery's table,
say) that no polynomial resolves. It is taken out: to first order the current answers it with an exponential
of the same rate, so current, voltages and power are a polynomial plus these.

This module needs numpy and is imported only when a source drains under such a law.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wirevow.emu.plant.circuit import Solved
from wirevow.emu.plant.expoly import Curve, respond
from wirevow.emu.plant.sources import Feed

Array = NDArray[np.float64]
Bound = tuple[Array, Array | None, Array | None]
Law = Callable[[Array, Array, bool], Bound | None]
"""(emf with the pairs' voltages taken off, ohm to the terminals, whether all is asked for) -> (current, its
change with the emf, its delay behind the emf in s); None where the law has no answer or must not be trusted.
The last two may be None when not asked for."""

_DEGREE = 10
_TAIL = 2e-10
_FAST = 12.0
_TRIM = 1e-12
_LEAST_SPAN = 1e-7


class _Nodes(NamedTuple):
    x: Array
    """Chebyshev extrema on [0, 1]."""
    powers: Array
    """Values there to coefficients by rising power."""
    tails: Array
    """Values to the last two Chebyshev coefficients."""
    integral: Array
    """Values to the integral from 0, there."""
    slope: Array
    """Values to the derivative, there."""
    unit: Array
    nothing: Array


def _nodes() -> _Nodes:
    n = _DEGREE
    k = np.arange(n + 1)
    x = (1.0 - np.cos(np.pi * k / n)) / 2.0
    ends = np.where((k == 0) | (k == n), 0.5, 1.0)
    # Value at node j of the polynomial is sum_m c_m T_m(2 x_j - 1); the cosine transform inverts it.
    cosines = np.cos(np.pi * np.outer(k, n - k) / n)
    to_chebyshev = 2.0 / n * ends[:, None] * cosines * ends[None, :]
    basis = np.polynomial.chebyshev
    columns = [basis.Chebyshev.basis(m, domain=[0.0, 1.0]) for m in range(n + 1)]
    integral = np.array([c.integ(lbnd=0.0)(x) for c in columns]).T @ to_chebyshev
    slope = np.array([c.deriv()(x) for c in columns]).T @ to_chebyshev
    raw = np.zeros((n + 1, n + 1))
    for m, column in enumerate(columns):
        c = column.convert(kind=np.polynomial.Polynomial, domain=[-1.0, 1.0], window=[-1.0, 1.0]).coef
        raw[: len(c), m] = c
    return _Nodes(
        x, raw @ to_chebyshev, to_chebyshev[-2:], integral, slope, np.eye(n + 1), np.zeros((n + 1, n + 1))
    )


_NODES = _nodes()


def bound(
    feed: Feed, law: Law, start: float, longest: float, guess: float, lead_ohm: float, drift: float
) -> Solved | None:
    """The circuit while `law` binds the current, as long as `guess` or shorter; None when it cannot be held.

    `start` and `drift` (A/s) are a first guess of the current and its change. The span is shortened until the
    polynomial has converged. It may reach beyond the source's `room`: the forms there are smooth, and the
    caller ends at the knot.
    """
    nodes = _NODES
    rest = feed.rest()
    ohm, ohm_slope = feed.line_ohm()
    peukert = feed.use(1e300) != 1.0
    count = _DEGREE + 1
    span = min(guess, longest)
    while span >= _LEAST_SPAN:
        fast: list[tuple[float, float, Array, Array, float]] = []
        lag, pull = nodes.nothing, nodes.nothing
        ride: Array = nodes.nothing[0]
        weighted_ride: Array = ride
        for (rate, pair_ohm), volt in zip(feed.pairs, feed.pair_volts, strict=True):
            speed_up = rate * span
            if speed_up > _FAST:
                # The polynomial answer to a polynomial current; the initial value goes with an exponential.
                own = pair_ohm * np.linalg.inv(nodes.slope / speed_up + nodes.unit)
                fast.append((rate, pair_ohm, own[0], np.exp(-speed_up * nodes.x), volt))
            else:
                # (slope / (rate span) + 1) v = R i at all nodes but the first, where v is known.
                inverse = np.linalg.inv(nodes.slope[1:, 1:] / speed_up + nodes.unit[1:, 1:])
                own = np.zeros_like(lag)
                own[1:, 1:] = pair_ohm * inverse
                free = np.empty_like(ride)
                free[0] = volt
                free[1:] = (inverse @ nodes.slope[1:, 0]) * (-volt / speed_up)
                ride = ride + free
                weighted_ride = weighted_ride + rate * free
            lag = lag + own
            pull = pull + rate * (own - pair_ohm * nodes.unit)
        # One product gives the charge used, the pairs' polynomial part and the fast pairs' start.
        stacked = np.concatenate(
            [span * nodes.integral, lag, *[first[None, :] for _, _, first, _, _ in fast]]
        )
        smooth = start + drift * span * nodes.x
        base: Array = rest[0] - ride
        offset: Array = nodes.nothing[0]
        used_extra: Array | None = None
        extra: list[tuple[float, float, float, Array]] = []
        solved = False
        emf = ohms = amps = speed = smooth
        own_slope = 0.0
        late: Array = offset
        # A round leaves a few hundredths of the error (the circuit's ohms against the load's).
        close = 2e-11 * (1.0 + abs(start))
        for turn in range(40):
            if peukert:
                speed = smooth * np.array([feed.use(x) for x in smooth.tolist()])
                used = stacked[:count] @ speed
                parts = stacked[count:] @ smooth
            else:
                speed = smooth
                both = stacked @ smooth
                used, parts = both[:count], both[count:]
            if used_extra is not None:
                used = used + used_extra
            emf = base - parts[:count]
            if len(rest) > 1:
                fallen = rest[-1] * used
                for c in rest[-2:0:-1]:
                    fallen = (fallen + c) * used
                emf = emf + fallen
            starts = []
            for (_, _, _, decay, volt), first_now in zip(fast, parts[count:].tolist(), strict=True):
                starts.append(volt - first_now)
                emf = emf - starts[-1] * decay
            ohms = (ohm + lead_ohm) + ohm_slope * used
            found = law(emf, ohms, turn == 1)
            if found is None:
                break
            following, slope, delay = found
            if turn == 1 and slope is not None and delay is not None:
                steep: Array = nodes.nothing[0]
                for n in range(len(rest) - 1, 0, -1):
                    steep = steep * used + n * rest[n]
                moves = (steep - ohm_slope * following) * speed + pull @ smooth + weighted_ride
                late = delay * slope * moves
                own_slope = float(slope[0])
            if turn == 1 or turn == 2:
                extra = []
                offset, base, used_extra = late, rest[0] - ride, None
                for (rate, _, _, decay, _), b in zip(fast, starts, strict=True):
                    extra.append((rate, -own_slope * b, b, decay))
                for rate, a, _, decay in extra:
                    offset = offset + a * decay
                    more = (a / rate) * (1.0 - decay)
                    used_extra = more if used_extra is None else used_extra + more
                    for other, pair_ohm, _, shape, _ in fast:
                        if other == rate:
                            base = base - (a * pair_ohm * rate * span) * nodes.x * decay
                        else:
                            base = base - (a * pair_ohm * other / (other - rate)) * (decay - shape)
            amps = following
            new = following - offset
            change = np.abs(new - smooth)
            smooth = new
            if (
                turn > 2
                and change[-1] <= close
                and change[_DEGREE // 2] <= close
                and float(change.max()) <= close
            ):
                amps = following - late
                solved = bool(np.isfinite(smooth).all())
                break
        largest = float(np.abs(smooth).max())
        tail = float(np.abs(nodes.tails @ smooth).sum()) if solved else inf
        if tail > _TAIL * largest + 1e-16:
            span *= 0.25 if tail == inf else max(0.2, min(0.7, (_TAIL * largest / tail) ** (1.0 / _DEGREE)))
            continue
        volts = emf - ohms * amps
        first_volt, first_amp = float(volts[0]), float(amps[0])
        rows = [amps, volts, volts * amps, amps * amps]
        weights: list[list[float]] = [[], [], [], []]
        for _, a, b, decay in extra:
            fall = -b - float(ohms[0]) * a
            own_weights = (a, fall, first_volt * a + first_amp * fall, 2.0 * first_amp * a)
            for row, weight in enumerate(own_weights):
                rows[row] = rows[row] - weight * decay
                weights[row].append(weight)
        if peukert:
            rows.append(speed)
            weights.append([0.0] * len(extra))
        in_powers = (np.stack(rows) @ nodes.powers.T).tolist()
        rates = [rate for rate, _, _, _ in extra]
        curves = [
            Curve(_trimmed(c, span), tuple([(r, w) for r, w in zip(rates, weight, strict=True) if w]))
            for c, weight in zip(in_powers, weights, strict=True)
        ]
        current = curves[0]
        charge = respond(0.0, 0.0, current, span)
        growth = 4.0 if tail < 0.1 * _TAIL * largest else 1.0
        return Solved(
            span=span,
            current=current,
            volt=curves[1],
            charge=charge,
            used=respond(0.0, 0.0, curves[4], span) if peukert else charge,
            pairs=tuple(
                respond(rate, volt, current.scaled(rate * pair_ohm), span)
                for (rate, pair_ohm), volt in zip(feed.pairs, feed.pair_volts, strict=True)
            ),
            power=curves[2],
            square=curves[3],
            reach=growth * span,
        )
    return None


def _trimmed(c: list[float], span: float) -> tuple[float, ...]:
    """Coefficients in the share of the span to coefficients in seconds, without a negligible tail."""
    small = _TRIM * abs(c[0])
    while len(c) > 1 and abs(c[-1]) < small:
        c.pop()
    scale = 1.0
    for n in range(1, len(c)):
        scale /= span
        c[n] *= scale
    return tuple(c)
