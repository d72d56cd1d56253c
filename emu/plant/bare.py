"""No plant at all: every reading is what the bench says, every control is heard and does nothing.

A document without a `plant:` section has this behind it. Its signals are those that its points name, and each
is a bench event too, which gives it its value; it starts from the `base` of an event of that name in the
document's `bench:`, else from 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from wirevow.emu.bench import Bench
from wirevow.emu.plant.agenda import Watch
from wirevow.emu.plant.seam import Seam
from wirevow.protocol.document.model import Document, FromPoint, Pulse
from wirevow.protocol.document.terminals import Control, Signal, Terminals
from wirevow.protocol.units import physics_unit, si_per_unit


def bare_terminals(document: Document) -> Terminals:
    """What the document itself makes of its signals, controls and events: nothing else knows them."""
    signals: dict[str, Signal] = {}
    for point in document.points.values():
        if point.signal is not None:
            signals.setdefault(point.signal, Signal(_unit(document, point.quantity), point.means))
    return Terminals(
        "(none)",
        signals,
        _controls(document),
        {name: Control(each.unit, means=each.means) for name, each in signals.items()},
    )


def _unit(document: Document, quantity: str | None) -> str:
    return "1" if quantity is None else physics_unit(document.quantities[quantity].unit)


def _controls(document: Document) -> dict[str, Control]:
    """Every control takes whatever the document gives it: words, or numbers of one unit."""
    words: dict[str, set[str]] = {}
    units: dict[str, str] = {}
    follow = [(point.drives, name) for name, point in document.points.items() if point.drives is not None]
    for state in document.states.values():
        for name, output in state.outputs.items():
            if isinstance(output, FromPoint):
                follow.append((name, output.point))
            elif isinstance(output, str):
                words.setdefault(name, set()).add(output)
            else:
                units.setdefault(name, "1")
    for name, setting in follow:
        point = document.points.get(setting)
        if point is not None and point.choice is not None:
            words.setdefault(name, set()).update(point.drives_as.get(each, each) for each in point.choice)
        elif point is not None and point.quantity in document.quantities:
            units[name] = _unit(document, point.quantity)
    pulses = {
        effect.pulse: Control(pulse=True, means="does nothing")
        for action in document.actions.values()
        for effect in action.does
        if isinstance(effect, Pulse) and effect.pulse is not None
    }
    numbers = {name: Control(unit, means="does nothing") for name, unit in units.items()}
    chosen = {
        name: Control(choices=tuple(sorted(each)), means="does nothing") for name, each in words.items()
    }
    return {**pulses, **numbers, **chosen}


class Bare(Seam):
    """The seam without physics (see `wirevow.emu.plant.interface.Plant`)."""

    def __init__(self, document: Document, bench: Bench | None, horizon_ns: int) -> None:
        terminals = bare_terminals(document)
        self.signals = terminals.signals
        self.controls = terminals.controls
        self.events = terminals.events
        self._told: dict[str, list[tuple[int, float]]] = {
            name: [(0, _start(document, name))] for name in self.signals
        }
        """What each signal has been told, and when; only as far back as is read."""
        super().__init__("document without a plant", bench, horizon_ns)
        self._fire_planned()

    def _take(self, changes: Mapping[str, float | str], happened: bool) -> None:
        if happened:
            for name, value in changes.items():
                told = self._told[name]
                told.append((self.now_ns, float(value)))
                while len(told) > 1 and told[1][0] <= self.now_ns - self.horizon_ns:
                    del told[0]

    def _value(self, signal: str, ns: int) -> float:
        told = self._told[signal]
        return next((value for when, value in reversed(told) if when <= ns), told[0][1])

    def _first_change(self, watch: Watch, stop: int) -> int:
        return stop


def _start(document: Document, signal: str) -> float:
    event = document.bench.get(signal)
    if event is None or event.value is None or not isinstance(event.base, Decimal):
        return 0.0
    return float(event.base) * si_per_unit(document.quantities[event.value].unit)
