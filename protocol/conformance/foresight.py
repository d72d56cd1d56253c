"""What the source in front would trip, before it does.

Some readings follow the world outside, whatever the instrument is told: a document's bench events say which
they move. A setting beyond one of them, such as a ceiling below the voltage of the source, makes a latched
trip come. On a real instrument that is a nuisance at best, so that within an envelope it is not put.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from fractions import Fraction
from itertools import product

from wirevow.protocol.vow import PointEntry, Value, Vow, bench_events

Seen = Mapping[str, tuple[Fraction, Fraction]]
"""The lowest and the highest value that each reading had, in its own unit."""


def outer_readings(vow: Vow) -> frozenset[str]:
    """The readings that something outside the instrument moves."""
    events = bench_events(vow.document).values()
    return frozenset(name for event in events for name in (*event.moves, *event.shown_by))


def margin(entry: PointEntry, value: Fraction) -> Fraction:
    """How far the next reading of a point may be from this one while nothing has changed."""
    return abs(value) * entry.reading_error + entry.range_error + entry.number.step


def would_trip(vow: Vow, settings: Mapping[str, Value], seen: Seen, about: Set[str]) -> str:
    """A latched trip that looks at one of the settings `about` and would come; empty if none would.

    Only readings in `seen` count, and trips that look at nothing else but settings.
    """
    for trip in vow.trips.values():
        names = trip.when.names
        outer = sorted(names & seen.keys())
        if not trip.latched or not outer or not names & about or not names <= seen.keys() | settings.keys():
            continue
        known = {name: vow.points[name].exact(settings[name]) for name in names - seen.keys()}
        for corner in product(*(seen[name] for name in outer)):
            if trip.when.truth({**known, **dict(zip(outer, corner, strict=True))}):
                return trip.name
    return ""
