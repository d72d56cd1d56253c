"""A plant seen through a fault: everything is passed on, and a fault changes one thing on the way."""

from __future__ import annotations

from collections.abc import Mapping

from wirevow.emu.plant.interface import Crossing, Plant
from wirevow.protocol.document.terminals import Control, Signal
from wirevow.protocol.vow import PointEntry, Vow


class Overlay:
    """A plant (`emu.plant.interface.Plant`) that is another one, with one thing changed by a subclass."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        self.inner = plant
        self.vow = vow

    @property
    def signals(self) -> Mapping[str, Signal]:
        return self.inner.signals

    @property
    def controls(self) -> Mapping[str, Control]:
        return self.inner.controls

    @property
    def events(self) -> Mapping[str, Control]:
        return self.inner.events

    @property
    def now_ns(self) -> int:
        return self.inner.now_ns

    @property
    def horizon_ns(self) -> int:
        return self.inner.horizon_ns

    def quiet_until_ns(self) -> int:
        return self.inner.quiet_until_ns()

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self.inner.control(changes, now_ns)

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self.inner.bench(event, value, now_ns)

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return self.inner.watch(key, signal, above, threshold)

    def unwatch(self, key: int) -> None:
        self.inner.unwatch(key)

    def advance(self, to_ns: int) -> Crossing | None:
        return self.inner.advance(to_ns)

    def at(self, signal: str, when_ns: int) -> float:
        return self.seen(signal, self.inner.at(signal, when_ns), when_ns)

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        return self.seen(signal, self.inner.sample(signal, tick, period_ns), tick * period_ns)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        """What a reading makes of a signal."""
        return value


def main_reading(vow: Vow) -> PointEntry:
    """The reading that matters most: that of the envelope's first limit, else the first from the plant."""
    named = [limit.of for limit in vow.document.limits.values()]
    readings = [vow.points[name] for name in named] + list(vow.points.values())
    return next(entry for entry in readings if entry.signal is not None)


def has_reading(vow: Vow) -> bool:
    """Some reading comes from the plant."""
    return any(entry.signal is not None for entry in vow.points.values())


def counters(vow: Vow) -> dict[str, str]:
    """The signals that are integrals by a law, each with the signal it is the integral of."""
    found: dict[str, str] = {}
    for law in vow.document.laws.values():
        if law.counter is not None and law.integral_of is not None:
            counter, integrand = vow.points[law.counter].signal, vow.points[law.integral_of].signal
            if counter is not None and integrand is not None:
                found[counter] = integrand
    return found
