"""The plane of voltage and current of an instrument, and what bounds it.

Which readings are its axes follows from their units and from what the document holds against its limits; an
instrument without both has no plane.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from fractions import Fraction
from typing import NamedTuple

from wirevow.protocol.conformance.envelope import Kind, limited_readings
from wirevow.protocol.expression import Expression, parse
from wirevow.protocol.vow import Vow


class Axis(NamedTuple):
    """What a reading measures: V, A, or W, their product; and the SI units in one of its own."""

    kind: Kind
    factor: Fraction


class Border(NamedTuple):
    """A limit or trip: its name, a condition, and whether that is true inside."""

    name: str
    condition: Expression
    holds: bool


def axes(vow: Vow) -> dict[str, Axis]:
    """The readings of the plane, by name; none without both a voltage and a current."""
    found = {name: Axis(*each) for name, each in limited_readings(vow, ("V", "A", "W")).items()}
    return found if {"V", "A"} <= {axis.kind for axis in found.values()} else {}


def borders(vow: Vow, readings: Collection[str]) -> Iterator[Border]:
    """What bounds these readings by settings alone, in a state that handles power."""
    settings = {entry.name for entry in vow.settings}
    live = {name for name, state in vow.states.items() if state.energised}

    def bears(condition: Expression) -> bool:
        names = set(condition.names)
        return bool(names & set(readings)) and names <= {*readings} | settings

    for name, limit in vow.document.limits.items():
        armed = limit.armed_in is None or live & set(limit.armed_in)
        for sign, bound in ((">=", limit.low), ("<=", limit.high)):
            if armed and bound is not None:
                condition = parse(f"{limit.of} {sign} ({bound.text})")
                if bears(condition):
                    yield Border(f"limit {name}", condition, True)
    for name, trip in vow.trips.items():
        if live & trip.armed_in and bears(trip.when):
            yield Border(f"trip {name}", trip.when, False)


def at(readings: dict[str, Axis], volts: Fraction, amperes: Fraction) -> dict[str, Fraction]:
    """What the readings say at a place of the plane, each in its own unit."""
    here = {"V": volts, "A": amperes, "W": volts * amperes}
    return {name: here[axis.kind] / axis.factor for name, axis in readings.items()}


def top(vow: Vow, readings: dict[str, Axis], kind: Kind) -> Fraction:
    """The greatest reading on an axis, in SI units."""
    return max(
        vow.points[name].number.high * vow.points[name].number.step * axis.factor
        for name, axis in readings.items()
        if axis.kind == kind
    )
