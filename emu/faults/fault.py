"""What a named fault is, and how one is written.

A fault is firmware that breaks a promise on purpose, so that the checker can be seen to notice. It is made of
the smallest of four changes: another device half, other tables to behave by, another plant, another
instrument around both. It always claims the identity of the honest document.

    numbers = Kind("numbers", seen=37)

    @numbers.device("point.*.bounds")
    class BoundHighExcluded(Device):
        "Has < where <= is meant."

        def _inside(self, given, low, high):
            return low <= given < high

Its name is that of the class or function, `bound-high-excluded`, and its sentence the docstring. What one
entry of the document otherwise does is no fault, but a mutant (`wirevow.emu.mutants`).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.interface import Plant
from wirevow.protocol.device import Device
from wirevow.protocol.framing import Framer
from wirevow.protocol.vow import Vow

Applies = Callable[[Vow], bool]
_D = TypeVar("_D", bound=type[Device])
_F = TypeVar("_F", bound=type[Framer])
_I = TypeVar("_I", bound=type[Instrument])
_T = TypeVar("_T", bound=Callable[[Vow], Vow])
_P = TypeVar("_P", bound=Callable[[Plant, Vow], Plant])


def anywhere(vow: Vow) -> bool:
    """Applies to every document."""
    return True


@dataclass(slots=True)
class Fault:
    """One fault of the catalogue.

    `breaks` are patterns (`fnmatch`) of requirement ids, at least one of which a good verdict names.
    """

    name: str
    means: str
    kind: str
    breaks: tuple[str, ...]
    applies: Applies
    holdout: bool
    """Whether it belongs to those that were not seen while the checker was tuned (see `Kind`)."""
    device: type[Device] = Device
    instrument: type[Instrument] = Instrument
    tables: Callable[[Vow], Vow] | None = None
    plant: Callable[[Plant, Vow], Plant] | None = None


_PART = re.compile("[A-Z][a-z]*|[0-9]+[a-z]*|[a-z]+")


class Kind:
    """One stratum of the catalogue, and the decorators that put faults into it.

    The first `seen` of its faults have been seen while the checker was tuned; those behind them are held out.
    Each round was whole before any of it was tried; its first look is what was detected then, with one seed:

    ===== ====== ============================ =========================================================
    round faults detected at the first look   since
    ===== ====== ============================ =========================================================
    1     257    78 of the 85 held out        one of three of every kind was, drawn by a hash; mended
    2     82     64                           mended
    3     39     29                           mended
    4     18     14                           mended
    5     58     32                           mended
    6     46     34                           mended
    7     64     51                           mended; of 23 whose sentence had been read, 19; of the rest, 32
    8     48     39                           mended
    ===== ====== ============================ =========================================================

    When the survivors of a round are mended and a new one is written, `seen` moves behind the old one.
    None: all have been seen, because they were written together with what finds them.
    """

    def __init__(self, name: str, seen: int | None = None) -> None:
        self.name = name
        self.seen = seen
        self.faults: list[Fault] = []

    def _add(self, broken: Any, breaks: str, applies: Applies) -> Fault:
        name = "-".join(part.lower() for part in _PART.findall(broken.__name__))
        means = " ".join((broken.__doc__ or "").split())
        holdout = self.seen is not None and len(self.faults) >= self.seen
        fault = Fault(name, means, self.name, tuple(breaks.split()), applies, holdout)
        self.faults.append(fault)
        return fault

    # Each takes the patterns of what is broken, separated by spaces, and where there is something to break.

    def device(self, breaks: str, applies: Applies = anywhere) -> Callable[[_D], _D]:
        """A fault of the device half."""

        def add(broken: _D) -> _D:
            self._add(broken, breaks, applies).device = broken
            return broken

        return add

    def framer(self, breaks: str, applies: Applies = anywhere) -> Callable[[_F], _F]:
        """A fault of the framing."""

        def add(broken: _F) -> _F:
            device = type(f"Behind{broken.__name__}", (Device,), {"framer": broken})
            self._add(broken, breaks, applies).device = device
            return broken

        return add

    def tables(self, breaks: str, applies: Applies = anywhere) -> Callable[[_T], _T]:
        """A fault that is a change of the document: it behaves by other tables than it claims."""

        def add(change: _T) -> _T:
            self._add(change, breaks, applies).tables = change
            return change

        return add

    def plant(self, breaks: str, applies: Applies = anywhere) -> Callable[[_P], _P]:
        """A fault of the circuit, the converters or the loops."""

        def add(change: _P) -> _P:
            self._add(change, breaks, applies).plant = change
            return change

        return add

    def instrument(self, breaks: str, applies: Applies = anywhere) -> Callable[[_I], _I]:
        """A fault of what is around both: the transmitter, the watch over conditions, the sampling."""

        def add(broken: _I) -> _I:
            self._add(broken, breaks, applies).instrument = broken
            return broken

        return add
