"""From a document's physics and a bench to a running plant."""

from __future__ import annotations

from wirevow.emu.bench import Bench
from wirevow.emu.control.cooling import Cooling, DeratingCurve, FanCurve
from wirevow.emu.plant.bare import Bare
from wirevow.emu.plant.guard import guarded
from wirevow.emu.plant.interface import Plant, Surroundings
from wirevow.emu.plant.registry import class_of, parameters_of
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.plant import PlantUse
from wirevow.protocol.record import span_ns

SOME_MORE_NS = 250_000_000
"""A value may be read so long after it was due: the instrument does what a request drives first."""


def build_plant(
    section: PlantUse,
    bench: Bench | None,
    seed: int,
    cooling: Cooling | None = None,
    horizon_ns: int = SOME_MORE_NS,
) -> Plant:
    """A plant at 0 ns with its outputs off. `ValueError` when the bench does not fit this kind of plant.

    `horizon_ns` is how far back values can be read: the longest sample period or series, and some more.
    Raises PlantError when its class cannot be used.
    """
    around = Surroundings(bench, seed, horizon_ns, cooling)
    plant = class_of(section)
    return guarded(section.name, lambda: plant.build(parameters_of(section), around))


def plant_of(document: Document, bench: Bench | None, seed: int) -> Plant:
    """The plant of a document's physics on a bench, with its fan and derating. Errors as above."""
    horizon_ns = _longest_ns(document) + SOME_MORE_NS
    if document.plant is None:
        return Bare(document, bench, horizon_ns)
    return build_plant(document.plant, bench, seed, _cooling(document), horizon_ns)


def _cooling(document: Document) -> Cooling:
    """What a document says that its firmware does about heat."""
    fan, derating = document.fan, document.derating
    drives = () if fan is None else fan.drives()
    gone_by = (document.points[each.temperature].signal for each in (fan, derating) if each is not None)
    return Cooling(
        None
        if fan is None
        else FanCurve(
            fan.tick,
            tuple(float(drive.at) for drive in drives),
            tuple(float(drive.duty) for drive in drives),
            float(fan.hysteresis),
        ),
        None
        if derating is None
        else DeratingCurve(float(derating.start), float(derating.end), float(derating.floor)),
        frozenset(signal for signal in gone_by if signal is not None),
    )


def _longest_ns(document: Document) -> int:
    """The longest sample period, or series: so far back its first value is read."""
    periods = (point.every or 0 for point in document.points.values())
    return max((*periods, *map(span_ns, document.records.values())), default=0)
