"""From a document's physics and a bench to a running plant."""

from __future__ import annotations

from emu.bench import Bench
from emu.plant.curves import DeratingCurve, FanCurve
from emu.plant.interface import Plant
from emu.plant.room import Room
from emu.plant.sink import Sink
from protocol.document.plant import RoomPlant, SinkPlant


def build_plant(
    section: SinkPlant | RoomPlant,
    bench: Bench | None,
    seed: int,
    fan: FanCurve | None = None,
    derating: DeratingCurve | None = None,
    horizon_ns: int = 250_000_000,
) -> Plant:
    """A plant at 0 ns with its outputs off. `ValueError` when the bench does not fit this kind of plant.

    `horizon_ns` is how far back a sink's values can be read: the longest sample period, and some more.
    Without a bench a sink gets a 12 V supply that limits at 10 A.
    """
    if isinstance(section, RoomPlant):
        return Room(section, bench, seed)
    return Sink(section, bench, seed, fan, derating, horizon_ns)
