"""Somebody else's plant at the seam: what it raises, or returns that is no answer, becomes one clear error.

A `ValueError` of `control` and `bench` is an answer (an unknown name, a value that does not fit) and passes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

from wirevow.emu.plant.interface import Crossing, Plant
from wirevow.protocol.document.plant import PlantError
from wirevow.protocol.document.terminals import Control, Signal
from wirevow.protocol.errors import WirevowError

T = TypeVar("T")
_OURS = tuple(f"{Path(__file__).resolve().parents[2] / room}/" for room in ("emu", "protocol"))


def raised(name: str, doing: str, wrong: Exception) -> PlantError:
    """The error for a plant that raised something: what, where in its file, and while doing what."""
    where = ""
    trace = wrong.__traceback__
    while trace is not None:
        file = trace.tb_frame.f_code.co_filename
        if not str(Path(file).resolve()).startswith(_OURS):
            where = f" at {file}:{trace.tb_lineno}"
        trace = trace.tb_next
    return PlantError(f"the plant {name} raises {type(wrong).__name__}{where} in {doing}: {wrong}: mend it")


def guarded(name: str, build: Callable[[], Plant]) -> Plant:
    """The plant that `build` makes; one that is not Wirevow's own is looked after. Raises PlantError."""
    try:
        plant = build()
    except (WirevowError, ValueError):
        raise
    except Exception as wrong:
        raise raised(name, "build", wrong) from wrong
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

    def quiet_until_ns(self) -> int:
        try:
            until_ns = self.inner.quiet_until_ns()
        except WirevowError:
            raise
        except Exception as wrong:
            raise raised(self._name, "quiet_until_ns", wrong) from wrong
        return self._of("quiet_until_ns", until_ns, int, "whole number of nanoseconds")

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        try:
            self.inner.control(changes, now_ns)
        except (WirevowError, ValueError):
            raise
        except Exception as wrong:
            raise raised(self._name, "control", wrong) from wrong

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        try:
            self.inner.bench(event, value, now_ns)
        except (WirevowError, ValueError):
            raise
        except Exception as wrong:
            raise raised(self._name, "bench", wrong) from wrong

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        try:
            return bool(self.inner.watch(key, signal, above, threshold))
        except WirevowError:
            raise
        except Exception as wrong:
            raise raised(self._name, "watch", wrong) from wrong

    def unwatch(self, key: int) -> None:
        self.inner.unwatch(key)

    def advance(self, to_ns: int) -> Crossing | None:
        try:
            crossing = self.inner.advance(to_ns)
        except WirevowError:
            raise
        except Exception as wrong:
            raise raised(self._name, "advance", wrong) from wrong
        return self._of("advance", crossing, (Crossing, type(None)), "crossing")

    def at(self, signal: str, when_ns: int) -> float:
        try:
            value = self.inner.at(signal, when_ns)
        except WirevowError:
            raise
        except Exception as wrong:
            raise raised(self._name, f"at of {signal}", wrong) from wrong
        return self._of(f"at of {signal}", value, (float, int), "finite number")

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        try:
            value = self.inner.sample(signal, tick, period_ns)
        except WirevowError:
            raise
        except Exception as wrong:
            raise raised(self._name, f"sample of {signal}", wrong) from wrong
        return self._of(f"sample of {signal}", value, (float, int), "finite number")
