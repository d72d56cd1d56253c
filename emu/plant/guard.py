"""Somebody else's plant at the seam: what it raises, or returns that is no answer, becomes one clear error.

A `ValueError` of `control` and `bench` is an answer (an unknown name, a value that does not fit) and passes.
"""

from __future__ import annotations

import math
import traceback
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from wirevow.emu.plant.interface import Crossing, Plant
from wirevow.protocol.document.plant import PlantError
from wirevow.protocol.document.terminals import Control, Signal
from wirevow.protocol.errors import WirevowError

T = TypeVar("T")
_REFUSALS = (WirevowError, ValueError)
_OURS = tuple(f"{Path(__file__).resolve().parents[2] / room}/" for room in ("emu", "protocol"))


def raised(name: str, doing: str, wrong: Exception) -> PlantError:
    """The error for a plant that raised something: what, where in its file, and while doing what."""
    where = ""
    for frame, line in traceback.walk_tb(wrong.__traceback__):
        file = frame.f_code.co_filename
        if not str(Path(file).resolve()).startswith(_OURS):
            where = f" at {file}:{line}"
    return PlantError(f"the plant {name} raises {type(wrong).__name__}{where} in {doing}: {wrong}: mend it")


def asked(
    name: str,
    doing: str,
    ask: Callable[..., T],
    *given: Any,
    answers: tuple[type[Exception], ...] = (WirevowError,),
) -> T:
    """What a plant's `ask` returns; what it raises becomes one error, unless that is one of the `answers`."""
    try:
        return ask(*given)
    except answers:
        raise
    except Exception as wrong:
        raise raised(name, doing, wrong) from wrong


def guarded(name: str, build: Callable[[], Plant]) -> Plant:
    """The plant that `build` makes; one that is not Wirevow's own is looked after. Raises PlantError."""
    plant = asked(name, "build", build, answers=_REFUSALS)
    ours = type(plant).__module__.startswith("wirevow.") or getattr(plant, "looked_after", False)
    return plant if ours else Guard(name, plant)


class Guard:
    """A plant (`wirevow.emu.plant.interface.Plant`) that is another one, looked after."""

    def __init__(self, name: str, plant: Plant) -> None:
        self.inner = plant
        self._name = name
        self.signals: Mapping[str, Signal] = plant.signals
        self.controls: Mapping[str, Control] = plant.controls
        self.events: Mapping[str, Control] = plant.events

    @property
    def now_ns(self) -> int:
        return self.inner.now_ns

    @property
    def horizon_ns(self) -> int:
        return self.inner.horizon_ns

    def _of(self, doing: str, value: T, kinds: type | tuple[type, ...], said: str) -> T:
        if not isinstance(value, kinds) or (isinstance(value, float) and not math.isfinite(value)):
            raise PlantError(
                f"the plant {self._name} returns {value!r} from {doing} at {self.now_ns / 1e9:g} s,"
                f" which is no {said}: mend it"
            )
        return value

    def _ask(self, doing: str, ask: Callable[..., T], *given: Any) -> T:
        return asked(self._name, doing, ask, *given)

    def quiet_until_ns(self) -> int:
        until_ns = self._ask("quiet_until_ns", self.inner.quiet_until_ns)
        return self._of("quiet_until_ns", until_ns, int, "whole number of nanoseconds")

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        asked(self._name, "control", self.inner.control, changes, now_ns, answers=_REFUSALS)

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        asked(self._name, "bench", self.inner.bench, event, value, now_ns, answers=_REFUSALS)

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return bool(self._ask("watch", self.inner.watch, key, signal, above, threshold))

    def unwatch(self, key: int) -> None:
        self._ask("unwatch", self.inner.unwatch, key)

    def advance(self, to_ns: int) -> Crossing | None:
        crossing = self._ask("advance", self.inner.advance, to_ns)
        return self._of("advance", crossing, (Crossing, type(None)), "crossing")

    def at(self, signal: str, when_ns: int) -> float:
        value = self._ask(f"at of {signal}", self.inner.at, signal, when_ns)
        return self._of(f"at of {signal}", value, (float, int), "finite number")

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        value = self._ask(f"sample of {signal}", self.inner.sample, signal, tick, period_ns)
        return self._of(f"sample of {signal}", value, (float, int), "finite number")
