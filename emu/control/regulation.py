"""The sampled loops that hold power, resistance or voltage by moving the current, and the ceiling's guard.

Each sample moves the wanted current a share of the way to what the measured voltage asks for,
`u += gain (wanted - u)`; the level converter's code follows when it is off by more than its dead band. In
mode current the level is wanted at once, and only the guard pulls it down.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple, Protocol

from wirevow.emu.control.swing import Swing

_INF = math.inf


class LevelConverter(Protocol):
    """What sets the current: it rounds to a code, and no code stands for more than `last` (A)."""

    @property
    def step(self) -> float:
        """Ampere between two codes; 0 where there are none."""
        ...

    @property
    def last(self) -> float: ...

    @property
    def gain(self) -> float: ...

    @property
    def offset(self) -> float: ...

    def nearest(self, wanted: float) -> float:
        """The current that the nearest code stands for."""
        ...


class Loops(Protocol):
    """What the loops are tuned with; `SinkPlant.regulation` says what each means."""

    @property
    def gain(self) -> float: ...

    @property
    def voltage_gain_ohm(self) -> float: ...

    @property
    def deadband_steps(self) -> float: ...

    @property
    def deadband_volt(self) -> float: ...


class Sampled(NamedTuple):
    """What one sample has found; A."""

    wanted: float
    cap: float
    error: float
    """Of the wanted current, before the sample."""
    change: float
    """Of that error since the last sample."""
    moved: bool
    """Whether the code is another."""


class Regulation:
    """One loop at a time, by the mode; `controls` are the plant's, and stay the same object."""

    def __init__(
        self,
        loops: Loops,
        level: LevelConverter,
        reading: tuple[float, float],
        controls: Mapping[str, float | str],
        swing: Swing,
    ) -> None:
        self._loops, self._level, self._reading = loops, level, reading
        self._set = controls
        self._swing = swing
        self.u = 0.0
        """The wanted current, A."""
        self.code = 0.0
        """The current that the level converter's code stands for, A."""
        self._gap = _INF

    def kind(self) -> str:
        """Which quantity is held: the mode's, where the stage holds."""
        return str(self._set["mode"]) if self._set["stage"] == "hold" else "current"

    def cap(self) -> float:
        """The greatest current wanted now, before the power guard."""
        limit = float(self._set["limit.current"])
        stage = self._set["stage"]
        if stage in ("swing", "steps"):
            limit = min(limit, self._swing.level(self._set))
        elif self.kind() == "current":
            limit = min(limit, float(self._set["level.current"]))
        return min(limit, self._level.last)

    def signature(self) -> tuple[float | str, ...]:
        """Everything that it depends on; a change of it starts the loop anew."""
        set_ = self._set
        kind = self.kind()
        return (
            set_["relay"],
            set_["stage"],
            kind,
            self.cap(),
            set_[f"level.{kind}"],
            set_["limit.power"],
            set_["sense"],
            set_["trim.voltage_gain"],
            set_["trim.voltage_shift"],
            set_["trim.level_gain"],
            set_["trim.level_shift"],
        )

    def retune(self, fresh: bool) -> bool:
        """A setting changed: start anew. Current levels are set at once; whether a loop has to run."""
        self.afresh()
        if self._set["stage"] == "off":
            self.rest()
            return False
        if self.kind() == "current":
            self.be(self.cap())
            return False
        self.be(min(0.0 if fresh else self.u, self.cap()))
        return True

    def afresh(self) -> None:
        """The error before means nothing any more."""
        self._gap = _INF

    def rest(self) -> None:
        """Nothing is wanted."""
        self.u = self.code = 0.0

    def be(self, amps: float) -> None:
        """So much is wanted, whatever was before."""
        self.u = amps
        self.code = self.code_of(amps)

    def code_of(self, amps: float) -> float:
        """The current that the code for a wanted one stands for."""
        set_ = self._set
        return self._level.nearest(amps * float(set_["trim.level_gain"]) + float(set_["trim.level_shift"]))

    def inverse_level(self, amps: float) -> float:
        """The wanted current for which the stage is asked for so much, but for rounding."""
        level, set_ = self._level, self._set
        nominal = (amps - level.offset) / level.gain
        return (nominal - float(set_["trim.level_shift"])) / float(set_["trim.level_gain"])

    def reading_line(self) -> tuple[float, float]:
        """The firmware's voltage as gain and offset of the true one: converter and trims, without noise."""
        set_ = self._set
        gain, offset = self._reading
        trim = float(set_["trim.voltage_gain"])
        return gain * trim, offset * trim + float(set_["trim.voltage_shift"])

    def from_reading(self, volt: float) -> float:
        """The true voltage that is read so."""
        gain, offset = self.reading_line()
        return (volt - offset) / gain

    def wanted(self, measured: float, cap: float, ceiling: float) -> float:
        """The current that the measured voltage asks for, below the cap and the power's ceiling (W)."""
        set_ = self._set
        kind = self.kind()
        guard = ceiling / measured if measured > 1e-9 else _INF
        if kind == "power":
            wanted = min(float(set_["level.power"]), ceiling) / measured if measured > 1e-9 else _INF
        elif kind == "resistance":
            wanted = min(measured / float(set_["level.resistance"]), guard)
        elif kind == "voltage":
            error = measured - float(set_["level.voltage"])
            if self._level.step and abs(error) <= self._loops.deadband_volt:
                error = 0.0
            wanted = min(self.u + error / self._loops.voltage_gain_ohm, guard)
        else:
            wanted = guard
        return min(max(wanted, 0.0), cap)

    def sample(self, volt: float, ceiling: float) -> Sampled:
        """One sample of the loop at a true voltage."""
        gain, offset = self.reading_line()
        measured = gain * volt + offset
        cap = self.cap()
        wanted = self.wanted(measured, cap, ceiling)
        error = wanted - self.u
        u = self.u + self._loops.gain * error
        if abs(wanted - u) < 1e-10:
            u = wanted
        step = self._level.step
        before = self.code
        if step:
            set_ = self._set
            x = u * float(set_["trim.level_gain"]) + float(set_["trim.level_shift"])
            if abs(x - self.code) > self._loops.deadband_steps * step or (u == cap and u == wanted):
                self.code = self._level.nearest(x)
        else:
            self.code = self.code_of(u)
        change = error - self._gap
        self._gap = error
        self.u = u
        return Sampled(wanted, cap, error, change, self.code != before)

    def quiet(self, volt: float, ceiling: float) -> tuple[float, float]:
        """True voltages around the present one between which the code stays, for a steady current."""
        set_ = self._set
        cap = self.cap()
        kind = self.kind()
        gain, shift = float(set_["trim.level_gain"]), float(set_["trim.level_shift"])
        dead = self._loops.deadband_steps * self._level.step
        clipped = self.u >= cap
        down = (self.code - dead - shift) / gain if not clipped else cap
        up = (self.code + dead - shift) / gain if not clipped else _INF
        low, high = -_INF, _INF
        gain_volt, offset_volt = self.reading_line()
        here = gain_volt * volt + offset_volt
        guard = ceiling / here if here > 1e-9 else _INF
        # Below `free` the guard lets go, and the mode's own wish is the smaller again.
        free = -_INF
        if kind == "voltage":
            free = float(set_["level.voltage"])
            guarded = not clipped and here > free and guard <= up
        elif kind == "resistance":
            free = math.sqrt(ceiling * float(set_["level.resistance"]))
            guarded = here > free
        else:
            guarded = True
        if guarded:
            power = min(float(set_["level.power"]), ceiling) if kind == "power" else ceiling
            high = power / down if down > 0.0 else _INF
            low = max(power / up if power > 0.0 and up < _INF else -_INF, free)
        elif kind == "voltage":
            dead_volt = self._loops.deadband_volt if self._level.step else 1e-7
            low = free - dead_volt if self.u > 0.0 else -_INF
            high = free + dead_volt if not clipped else _INF
            if down > 0.0:
                high = min(high, ceiling / down)
        else:
            ohm = float(set_["level.resistance"])
            low = down * ohm
            high = min(up * ohm, free)
        if not self._level.step and not clipped and kind != "voltage":
            low, high = low * (1.0 - 1e-8), high * (1.0 + 1e-8)
        if clipped:
            high = high * (1.0 + 1e-12)
        return self.from_reading(low), self.from_reading(high)
