"""From a document's physics and a bench to a running plant."""

from __future__ import annotations

from wirevow.emu.bench import Bench
from wirevow.emu.plant.curves import DeratingCurve, FanCurve
from wirevow.emu.plant.interface import Plant
from wirevow.emu.plant.room import Room
from wirevow.emu.plant.sink import Sink
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.plant import RoomPlant, SinkPlant
from wirevow.protocol.record import span_ns

SOME_MORE_NS = 250_000_000
"""A value may be read so long after it was due: the instrument does what a request drives first."""


def build_plant(
    section: SinkPlant | RoomPlant,
    bench: Bench | None,
    seed: int,
    fan: FanCurve | None = None,
    derating: DeratingCurve | None = None,
    horizon_ns: int = SOME_MORE_NS,
) -> Plant:
    """A plant at 0 ns with its outputs off. `ValueError` when the bench does not fit this kind of plant.

    `horizon_ns` is how far back values can be read: the longest sample period or series, and some more.
    Without a bench a sink gets a 12 V supply that limits at 10 A.
    """
    if isinstance(section, RoomPlant):
        return Room(section, bench, seed, horizon_ns)
    return Sink(section, bench, seed, fan, derating, horizon_ns)


def plant_of(document: Document, bench: Bench | None, seed: int) -> Plant:
    """The plant of a document's physics on a bench, with its fan and derating. `ValueError` as above."""
    fan = document.fan
    derating = document.derating
    return build_plant(
        document.plant,
        bench,
        seed,
        None
        if fan is None
        else FanCurve(
            fan.tick,
            tuple(float(level.at) for level in fan.levels),
            tuple(float(level.duty) for level in fan.levels),
            float(fan.hysteresis),
        ),
        None
        if derating is None
        else DeratingCurve(float(derating.start), float(derating.end), float(derating.floor)),
        _longest_ns(document) + SOME_MORE_NS,
    )


def _longest_ns(document: Document) -> int:
    """The longest sample period, or series: so far back its first value is read."""
    periods = (point.every or 0 for point in document.points.values())
    return max((*periods, *map(span_ns, document.records.values())), default=0)
