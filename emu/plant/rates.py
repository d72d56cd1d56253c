"""A plant by its rates of change, in Python: the base class that a user's plant is derived from.

    class Tank(wirevow.Plant):
        class Parameters(wirevow.PlantParameters):
            litre_per_second: float
        states = ("litres",)
        signals = {"level": wirevow.Signal("l", "what is in it")}
        controls = {"valve": wirevow.Control("1", 0.0, 1.0)}
        events = {"leak": wirevow.Control(choices=("no", "yes"))}

        def start(self):
            return (0.0,)

        def rates(self, litres):
            leak = 0.01 * litres if self.happened["leak"] == "yes" else 0.0
            return (self.parameters.litre_per_second * self.driven["valve"] - leak,)

        def outputs(self, litres):
            return {"level": litres}

Between two events everything follows from the states where the stretch began: it is integrated (scipy's
`solve_ivp`, method LSODA: Petzold, SIAM J. Sci. Stat. Comput. 4, 1983) in pieces whose ends depend on nothing
else, so that reads change nothing. A crossing is looked for at a few instants in each of the solver's steps,
and bisected to the nanosecond: one that comes and goes between two of them passes unseen.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from itertools import count
from threading import Lock
from typing import Any, ClassVar, TypeVar

from wirevow.emu.bench import Bench
from wirevow.emu.plant.agenda import Watch
from wirevow.emu.plant.converter import Converter
from wirevow.emu.plant.guard import asked
from wirevow.emu.plant.interface import Surroundings
from wirevow.emu.plant.past import Past
from wirevow.emu.plant.seam import LOOK_AHEAD_NS, Seam
from wirevow.emu.plant.sections import PlantParameters
from wirevow.protocol.document.plant import PlantError, PlantUse
from wirevow.protocol.document.terminals import Control, Signal

T = TypeVar("T")

LOOKS = 4
"""In each step of the solver, at as many instants, whether a watch has changed its truth."""
MOST_CALLS = 50_000
"""Of `rates`, in one piece: a hundred times what a smooth plant needs, and about a second."""
MOST_GONE = 1000
"""So many steps may be kept that nobody can read any more."""
HIGHEST_POWER = 12
"""Of the solver's interpolants: the highest order of Adams' methods in LSODA."""
LONGEST_PIECE_S = LOOK_AHEAD_NS / 1e9
_SOLVING = Lock()
"""The solver's Fortran keeps its state in one place."""


@cache
def _nodes() -> tuple[Any, Any]:
    """Where a polynomial is looked at, from -1 to 1, and what makes coefficients of that, highest first."""
    import numpy as np

    nodes = np.cos(np.pi * (np.arange(HIGHEST_POWER + 1) + 0.5) / (HIGHEST_POWER + 1))
    return nodes, np.linalg.inv(np.vander(nodes)).T


class _Stretch:
    """From one event to the next: what was driven, and the states, integrated as far as anybody looked."""

    __slots__ = (
        "_plant",
        "_powers",
        "driven",
        "edges_ns",
        "happened",
        "looks",
        "pieces",
        "start_ns",
        "states",
    )

    def __init__(self, plant: RatesPlant, start_ns: int, states: tuple[float, ...]) -> None:
        self._plant = plant
        self.start_ns = start_ns
        self.states = states
        self.driven = dict(plant.driven)
        self.happened = dict(plant.happened)
        self.edges_ns = [start_ns]
        """Ends of the solver's steps."""
        self.pieces: list[Any] = []
        """What interpolates in each step, over seconds since the stretch began."""
        self._powers: dict[int, tuple[float, float, list[list[float]]]] = {}
        """By step, where something was read in it: its middle and half its length in s, and polynomials."""
        self.looks: list[list[tuple[int, Mapping[str, float]]]] = []
        """In each step as far as a watch has needed it: instants, and the outputs there."""

    def at(self, ns: int) -> tuple[float, ...]:
        """The states at an instant in the stretch."""
        if ns <= self.start_ns:
            return self.states
        self.reach(ns)
        index = min(max(bisect_right(self.edges_ns, ns) - 1, 0), len(self.pieces) - 1)
        powers = self._powers.get(index)
        if powers is None:
            powers = self._powers[index] = self._polynomials(index)
        middle, half, rows = powers
        x = ((ns - self.start_ns) * 1e-9 - middle) / half
        states = []
        for row in rows:
            y = 0.0
            for coefficient in row:
                y = y * x + coefficient
            states.append(y)
        return tuple(states)

    def _polynomials(self, step: int) -> tuple[float, float, list[list[float]]]:
        """The interpolant of a step as polynomials from -1 to 1, which cost less to read than it does."""
        first, last = ((edge - self.start_ns) * 1e-9 for edge in self.edges_ns[step : step + 2])
        middle, half = (first + last) / 2.0, (last - first) / 2.0 or 1e-9
        nodes, to_powers = _nodes()
        table = self.pieces[step](middle + half * nodes) @ to_powers
        rows = []
        for row in table.tolist():
            least = 1e-16 * max(map(abs, row))
            while len(row) > 1 and abs(row[0]) <= least:
                del row[0]
            rows.append(row)
        return middle, half, rows

    def outputs(self, ns: int) -> Mapping[str, float]:
        """What the plant makes of the states at an instant in the stretch."""
        return self._plant.checked_outputs(self.at(ns), ns)

    def look(self, step: int) -> list[tuple[int, Mapping[str, float]]]:
        """The outputs at the instants of a step at which watches are looked at."""
        while len(self.looks) <= step:
            begin, end = self.edges_ns[len(self.looks) : len(self.looks) + 2]
            instants = sorted({begin + (end - begin) * part // LOOKS for part in range(1, LOOKS + 1)})
            seconds = [(instant - self.start_ns) * 1e-9 for instant in instants]
            columns = self.pieces[len(self.looks)](seconds).T.tolist()
            self.looks.append(
                [
                    (instant, self._plant.checked_outputs(states, instant))
                    for instant, states in zip(instants, columns, strict=True)
                ]
            )
        return self.looks[step]

    def reach(self, ns: int) -> None:
        """Integrate on until the instant is within what is known."""
        while self.edges_ns[-1] < ns:
            self._integrate()

    def _integrate(self) -> None:
        # Imported here: it takes a while, and only documents with such a plant need it.
        try:
            from scipy.integrate import solve_ivp
        except ImportError:
            raise PlantError(
                f"the plant {self._plant.name} is integrated with scipy, which is not installed:"
                " pip install 'wirevow[physics]'"
            ) from None

        plant = self._plant
        begun_s = (self.edges_ns[-1] - self.start_ns) * 1e-9
        last = self.at(self.edges_ns[-1])
        calls = count()

        def rates(seconds: float, states: Any) -> Sequence[float]:
            if next(calls) >= MOST_CALLS:
                reached_s = self.start_ns / 1e9 + seconds
                raise PlantError(
                    f"the plant {plant.name} cannot be integrated beyond {reached_s:.9g} s:"
                    f" {MOST_CALLS} calls were not enough: see that its rates do not jump with its states"
                )
            return plant.rates(*states.tolist())

        with _SOLVING:
            found = solve_ivp(
                rates,
                (begun_s, begun_s + LONGEST_PIECE_S),
                last,
                method="LSODA",
                rtol=plant.relative_tolerance,
                atol=plant.absolute_tolerance,
                dense_output=True,
            )
        if found.sol is None or not found.success or not math.isfinite(sum(found.y[:, -1].tolist())):
            raise PlantError(
                f"the plant {plant.name} cannot be integrated from {self.start_ns / 1e9 + begun_s:g} s on"
                f" ({found.message}): see that its rates stay finite"
            )
        self.edges_ns += [self.start_ns + round(second * 1e9) for second in found.t[1:].tolist()]
        self.pieces += found.sol.interpolants
        # The last piece stays, however far ahead it is integrated for: the next one goes on from it.
        gone = min(bisect_right(self.edges_ns, plant.now_ns - plant.horizon_ns), len(self.pieces)) - 1
        if gone > MOST_GONE:
            del self.edges_ns[:gone], self.pieces[:gone], self.looks[:gone]
            self._powers.clear()


class RatesPlant(Seam):
    """Base class of plants by rates of change; public as `wirevow.Plant`.

    A subclass declares `Parameters`, `states`, `signals`, `controls`, `events`; it writes `start`, `rates`,
    `outputs`; where something jumps, `jump`. It may look at `self.parameters`, `self.driven` (controls),
    `self.happened` (bench events) and `self.around` (the bench), and keeps nothing else.
    """

    Parameters: ClassVar[type[PlantUse]] = PlantParameters
    states: ClassVar[tuple[str, ...]] = ()
    """Names of what has a rate of change."""
    signals: Mapping[str, Signal] = {}
    controls: Mapping[str, Control] = {}
    events: Mapping[str, Control] = {}
    looked_after: ClassVar[bool] = True
    """What a subclass raises or returns is dealt with here (see `guard`)."""
    relative_tolerance: ClassVar[float] = 1e-6
    absolute_tolerance: ClassVar[float] = 1e-9

    # -------------------------------------------------------------------------- what a subclass says

    def start(self) -> Sequence[float]:
        """The states at 0 s, in the order of `states`."""
        return ()

    def rates(self, *states: Any, **named: Any) -> Sequence[float]:
        """How much each state changes in a second."""
        return ()

    def outputs(self, *states: Any, **named: Any) -> Mapping[str, float]:
        """Every signal, in its unit."""
        raise NotImplementedError

    def jump(self, name: str, value: float | str, *states: float) -> Sequence[float]:
        """The states just after a control or an event; they stay unless this says otherwise."""
        return states

    def initial(self) -> Mapping[str, float | str]:
        """Where controls and events stand before anybody drives them; else 0, or their first word."""
        return {}

    # -------------------------------------------------------------------------------------- the seam

    @classmethod
    def build(cls, parameters: Any, around: Surroundings) -> RatesPlant:
        """A plant at 0 ns. Raises PlantError when it cannot start."""
        return cls(parameters, around)

    def __init__(self, parameters: Any, around: Surroundings) -> None:
        self.parameters = parameters
        self.around: Bench = around.bench if around.bench is not None else Bench(title="nothing")
        super().__init__(parameters.name, around.bench, around.horizon_ns)
        given = dict(asked(self.name, "initial", self.initial))
        self.driven: dict[str, Any] = _standing(self.controls, given)
        self.happened: dict[str, Any] = _standing(self.events, given)
        self._past: Past[_Stretch] = Past()
        self._seen: tuple[_Stretch, int, Mapping[str, float]] | None = None
        channels = getattr(parameters, "channels", {})
        for signal in channels:
            if signal not in self.signals:
                known = ", ".join(self.signals)
                raise PlantError(
                    f"the plant {self.name} has no signal {signal} for a channel: name one of {known}"
                )
        self._converters = {
            signal: Converter(channel, signal, around.seed) for signal, channel in channels.items()
        }
        self._begin(self._checked("start", asked(self.name, "start", self.start)))
        if self.signals:
            self._value(next(iter(self.signals)), 0)  # what cannot be read at all is said at once
        self._fire_planned()

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        return self._converted(signal, self.at(signal, tick * period_ns), tick)

    def foretold(self, signal: str, tick: int, period_ns: int) -> float:
        return self._converted(signal, self._value(signal, tick * period_ns), tick)

    # ---------------------------------------------------------------------------------------- inside

    def _converted(self, signal: str, value: float, tick: int) -> float:
        converter = self._converters.get(signal)
        return value if converter is None else converter.convert(value, tick)

    def _begin(self, states: tuple[float, ...]) -> None:
        self._past.begin(_Stretch(self, self.now_ns, states), self.now_ns - self.horizon_ns)

    def _take(self, changes: Mapping[str, float | str], happened: bool) -> None:
        offered, standing = (self.events, self.happened) if happened else (self.controls, self.driven)
        changed = {
            name: value for name, value in changes.items() if offered[name].pulse or standing[name] != value
        }
        if not changed:
            return  # a stretch that goes on is not cut
        states = self._within(self._past[-1], self._past[-1].at, self.now_ns)
        for name, value in changed.items():
            if not offered[name].pulse:
                standing[name] = value
            states = self._checked("jump", asked(self.name, "jump", self.jump, name, value, *states))
        self._begin(states)

    def _value(self, signal: str, ns: int) -> float:
        seen = self._seen
        if seen is not None and seen[1] == ns and seen[0] is self._past[-1]:
            return seen[2][signal]
        stretch = self._past[-1]
        if stretch.start_ns > ns:
            stretch = self._past.holding(ns)
        outputs = self._within(stretch, stretch.outputs, ns)
        if stretch is self._past[-1]:
            self._seen = (stretch, ns, outputs)
        return outputs[signal]

    def checked_outputs(self, states: Sequence[float], ns: int) -> Mapping[str, float]:
        """What `outputs` makes of states, if it is a finite number for every signal; PlantError if not."""
        outputs = self.outputs(*states)
        try:
            good = math.isfinite(sum(map(outputs.__getitem__, self.signals)))
        except (AttributeError, KeyError, TypeError):
            good = False
        if not good:
            raise PlantError(
                f"the plant {self.name} returns {str(outputs)[:120]} from outputs at {ns / 1e9:g} s:"
                f" return a dict with a finite number for each of {', '.join(self.signals)}"
            )
        return outputs

    def _within(self, stretch: _Stretch, ask: Callable[..., T], *given: Any) -> T:
        """What the subclass says while what was driven then stands."""
        present = self.driven, self.happened
        self.driven, self.happened = stretch.driven, stretch.happened
        try:
            return asked(self.name, "its rates or outputs", ask, *given)
        finally:
            self.driven, self.happened = present

    def _checked(self, what: str, states: Any) -> tuple[float, ...]:
        try:
            found = tuple(float(state) for state in states)
        except (TypeError, ValueError):
            found = ()
        if len(found) != len(self.states) or not all(map(math.isfinite, found)):
            raise PlantError(
                f"the plant {self.name} returns {str(states)[:120]} from {what}:"
                f" return a finite number for each of {', '.join(self.states)}"
            )
        return found

    def _look_ahead_ns(self) -> int:
        stretch = self._past[-1]
        if not self._watches or not self.states:
            return self.now_ns + LOOK_AHEAD_NS
        self._within(stretch, stretch.reach, self.now_ns + 1)
        return stretch.edges_ns[-1]

    def _first_change(self, watch: Watch, stop: int) -> int:
        stretch = self._past[-1]
        left = self.now_ns
        for step in range(max(bisect_right(stretch.edges_ns, left) - 1, 0), len(stretch.pieces)):
            for right, outputs in self._within(stretch, stretch.look, step):
                if right <= left:
                    continue
                if right > stop:
                    right, outputs = stop, self._within(stretch, stretch.outputs, stop)
                if watch.holds(outputs[watch.signal]) != watch.true:
                    return self._bisected(watch, left, right)
                if right == stop:
                    return stop
                left = right
        return stop


def _standing(offered: Mapping[str, Control], given: Mapping[str, float | str]) -> dict[str, float | str]:
    standing: dict[str, float | str] = {}
    for name, control in offered.items():
        if name in given:
            standing[name] = control.checked(name, given[name])
        elif control.choices:
            standing[name] = control.choices[0]
        elif not control.pulse:
            standing[name] = min(max(0.0, control.low), control.high)
    return standing
