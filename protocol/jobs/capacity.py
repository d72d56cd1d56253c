"""Charge and energy of a discharge from its log, with their uncertainty.

Charge is the integral of the current, energy that of voltage times current, both by trapezoids between rows
of the same segment: between segments nobody looked. The uncertainty (GUM) has these causes: gain and offset
of both readings, the clock, and what the current may have done between two rows (a rectangle as high as their
difference, independent from row to row).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from wirevow.protocol.jobs.resistance import STANDARD, Condition, Setting, circumstances
from wirevow.protocol.jobs.uncertainty import Channel, Measured, rectangular, unknown

RATED_RATE = 0.2
CLOCK = 1e-4
"""A host's clock is within 100 parts in a million (common practice, no source)."""
SECONDS_PER_HOUR = 3600.0


class Instant(Protocol):
    """One row of a log."""

    @property
    def segment(self) -> int: ...
    @property
    def seconds(self) -> float: ...
    @property
    def volts(self) -> float: ...
    @property
    def amperes(self) -> float: ...


@dataclass(frozen=True, slots=True)
class Totals:
    """What was taken out of a battery."""

    charge: Measured
    """A.h"""
    energy: Measured
    """W.h"""
    seconds: float
    """Seen, gaps between segments left out."""


def totals(rows: Sequence[Instant], volts: Channel, amperes: Channel, clock: float = CLOCK) -> Totals:
    """Charge and energy of the rows; nothing for fewer than two."""
    charge = energy = volt_seconds = span = 0.0
    between_charge = between_energy = 0.0
    for a, b in pairwise(rows):
        if a.segment != b.segment:
            continue
        dt = b.seconds - a.seconds
        p, q = a.volts * a.amperes, b.volts * b.amperes
        charge += 0.5 * (a.amperes + b.amperes) * dt
        energy += 0.5 * (p + q) * dt
        volt_seconds += 0.5 * (a.volts + b.volts) * dt
        span += dt
        between_charge += (0.5 * (b.amperes - a.amperes) * dt) ** 2 / 3
        between_energy += (0.5 * (q - p) * dt) ** 2 / 3
    rate = rectangular(clock, "clock")
    full = (charge * (1 + amperes.gain) + amperes.offset * span) * (1 + rate)
    work = (
        energy * (1 + amperes.gain + volts.gain) + amperes.offset * volt_seconds + volts.offset * charge
    ) * (1 + rate)
    full += unknown(math.sqrt(between_charge), "between rows")
    work += unknown(math.sqrt(between_energy), "between rows")
    return Totals(
        Measured.of(full / SECONDS_PER_HOUR, "A.h"), Measured.of(work / SECONDS_PER_HOUR, "W.h"), span
    )


def rated_conditions(
    setting: Setting, constant_current: bool, amperes: float, to_the_end: bool, paused: bool
) -> tuple[Condition, ...]:
    """What IEC 61960-3 (7.3.1, from memory) asks of a discharge that gives the rated capacity."""
    rated = setting.rated_ah
    return (
        *circumstances(setting),
        Condition(
            f"constant current of {RATED_RATE:g} It",
            "not constant current"
            if not constant_current
            else "no rated capacity declared"
            if rated is None
            else f"{amperes / rated:.3f} It",
            constant_current and rated is not None and abs(amperes / rated - RATED_RATE) <= 0.02 * RATED_RATE,
        ),
        Condition("without a pause", "with pauses" if paused else "yes", not paused),
        Condition("down to the end-of-discharge voltage", "yes" if to_the_end else "no", to_the_end),
    )


def named_after(conditions: Sequence[Condition]) -> str | None:
    """The standard's name if every condition is met."""
    return STANDARD if all(each.met for each in conditions) else None


def left_seconds(
    rows: Sequence[Instant], cut_off: float, rated_ah: float | None, drawn_ah: float, amperes: float
) -> float | None:
    """An estimate of the seconds left, None while there is nothing to go by.

    From the rated capacity while the battery is far from empty, and from the fall of the voltage over the
    last fifth of the run near its end: the sooner of both. A battery's voltage falls ever faster at the
    end, so the second is mostly too long.
    """
    guesses = []
    if rated_ah is not None and amperes > 0 and drawn_ah < rated_ah:
        guesses.append((rated_ah - drawn_ah) / amperes * SECONDS_PER_HOUR)
    if len(rows) >= 10:
        last = rows[-1]
        first = rows[-max(len(rows) // 5, 5)]
        fall = (first.volts - last.volts) / max(last.seconds - first.seconds, 1e-9)
        if fall > 0 and first.segment == last.segment:
            guesses.append(max(last.volts - cut_off, 0.0) / fall)
    return min(guesses, default=None)
