"""Which points and actions of a document play which part in a job.

Nothing is known by name. A part is found by what the document says of a point: the plant's signal it reads or
control it drives, its unit, what an action's ticket leads to. The person names what is not found, or found
twice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.units import si_per_unit
from wirevow.protocol.vow import ActionEntry, PointEntry, StateEntry, Vow

MODES = {"current": "A", "power": "W", "resistance": "Ohm", "voltage": "V"}
"""What a sink can hold, and the SI unit of its level."""


class PartsError(WirevowError):
    """The document lacks a part that the job needs, or it is not clear which point plays it."""


@dataclass(frozen=True, slots=True)
class Part:
    """A number point in its part; `si` is SI units (and A.h, W.h) in one of its unit."""

    entry: PointEntry
    si: float

    @property
    def name(self) -> str:
        return self.entry.name

    @property
    def low(self) -> float:
        """Least value of its quantity, in SI units."""
        return float(self.entry.number.low * self.entry.number.step) * self.si

    @property
    def high(self) -> float:
        return float(self.entry.number.high * self.entry.number.step) * self.si

    @property
    def step(self) -> float:
        return float(self.entry.number.step) * self.si

    def rounded(self, value: float) -> float:
        """The nearest value, in SI units, that it can have."""
        number = self.entry.number
        return float(number.nearest(value / self.si) * number.step) * self.si


@dataclass(frozen=True, slots=True)
class Start:
    """A way to energise: an action with a ticket, and the state it leads to."""

    arm: ActionEntry
    action: ActionEntry
    state: StateEntry
    cut_off: Part | None = None
    """The setting at which the state is left by itself when the voltage falls to it."""


@dataclass(frozen=True, slots=True)
class Trims:
    """The settings that correct one reading, or one level."""

    gain: Part
    shift: Part


class Swing(NamedTuple):
    """What steps the current between two levels."""

    begin: str
    """The action that begins it."""
    low: Part
    high: Part
    times: tuple[Part, Part]
    """At the low level and at the high one."""


class Parts:
    """The parts in one document. `named` are the person's own choices, by part."""

    def __init__(self, vow: Vow, named: Mapping[str, str | None] | None = None) -> None:
        self.vow = vow
        self._named = {part: name for part, name in (named or {}).items() if name is not None}

    # ----------------------------------------------------------------------------------------- readings

    def voltage(self) -> Part:
        """The reading of the voltage at the battery or source."""
        return self._reading("voltage", "V", "input.voltage")

    def current(self) -> Part:
        return self._reading("current", "A", "input.current")

    def temperature(self) -> Part | None:
        """The reading of the box's own temperature, if it is clear which one."""
        try:
            return self._reading("temperature", "Cel", "heat.temperature")
        except PartsError:
            if "temperature" in self._named:
                raise
            return None

    def charge(self) -> Part | None:
        """The box's own counter of charge (A.h), if it has one."""
        found = [each for each in self._numbers("A.h") if each.entry.source == "signal"]
        return found[0] if len(found) == 1 else None

    def _reading(self, part: str, unit: str, signal: str) -> Part:
        if part in self._named:
            return self._given(part, unit)
        readings = [each for each in self._numbers(unit) if each.entry.source == "signal"]
        found = [each for each in readings if each.entry.signal == signal] or readings
        return self._one(part, found, f"a reading in {unit}")

    # ----------------------------------------------------------------------------------------- settings

    def level(self, mode: str) -> Part:
        """The setting of what is held in a mode (`MODES`), in its SI unit."""
        unit = MODES[mode]
        if "level" in self._named:
            return self._given("level", unit)
        settings = [each for each in self._numbers(unit) if each.entry.settable]
        found = [each for each in settings if each.entry.drives == f"level.{mode}"]
        return self._one("level", found or settings, f"a setting in {unit} for the {mode} to hold")

    def mode(self, wanted: str) -> PointEntry | None:
        """The choice between modes; None where there is but one. PartsError if `wanted` is not among them."""
        name = self._named.get("mode")
        found = [
            entry
            for entry in self.vow.points.values()
            if entry.settable
            and entry.kind == "choice"
            and (entry.name == name if name else entry.drives == "mode")
        ]
        if name and not found:
            raise PartsError(f"--mode {name}: {self._title} has no such choice that can be set")
        if not found:
            if wanted != "current":
                raise PartsError(f"{self._title} has no choice of modes: it holds the current alone")
            return None
        if found[0].word_for(wanted) not in found[0].choices:
            raise PartsError(
                f"{self._title} does not hold the {wanted}: {found[0].name} is one of"
                f" {', '.join(found[0].choices)}"
            )
        return found[0]

    def driven(self, control: str) -> PointEntry | None:
        """The setting that drives a control of the plant, if there is one."""
        return next((each for each in self.vow.points.values() if each.drives == control), None)

    def number_driven(self, control: str) -> Part | None:
        entry = self.driven(control)
        return None if entry is None or entry.scale is None else _part(entry)

    def cells_of(self, cut_off: Part) -> PointEntry | None:
        """The setting of the cells in series: a reading is the cut-off divided by it."""
        for entry in self.vow.points.values():
            if entry.derived is not None and cut_off.name in entry.derived.names:
                for name in entry.derived.names - {cut_off.name}:
                    other = self.vow.points[name]
                    if other.settable and other.scale is not None and other.scale.unit == "1":
                        return other
        return None

    def patience(self) -> Part | None:
        """The setting of the longest silence of the host while energised."""
        silence = {each.name for each in self.vow.points.values() if each.system == "silence"}
        for trip in self.vow.trips.values():
            if trip.when.names & silence:
                for name in trip.when.names - silence:
                    entry = self.vow.points[name]
                    if entry.settable and entry.scale is not None:
                        return _part(entry)
        return None

    def trims(self, of: str) -> Trims:
        """The corrections of `voltage`, `current` (the readings) or `level` (the current that is held)."""
        found = []
        for part, unit in (("gain", "1"), ("shift", "A" if of == "level" else MODES[of])):
            if part in self._named:
                found.append(self._given(part, unit))
                continue
            entry = self.driven(f"trim.{of}_{part}")
            if entry is None or entry.scale is None:
                raise PartsError(
                    f"{self._title} has no setting that corrects the {part} of the {of}"
                    f" (`drives: trim.{of}_{part}`): name it with --{part} POINT"
                )
            found.append(_part(entry))
        return Trims(*found)

    # ------------------------------------------------------------------------------------------ actions

    @property
    def safe(self) -> str:
        """The action that always ends safely."""
        safe = self.vow.document.trial.safe
        if safe is None:
            raise PartsError(f"{self._title} names no safe action: write `trial: {{safe: ACTION}}`")
        return safe

    @property
    def state(self) -> str:
        """The point that shows the state."""
        name = self.vow.system_name("state")
        if name is None:
            raise PartsError(f"{self._title} has no point that shows its state")
        return name

    def start(self, counted: bool, voltage: Part, mode: str = "current") -> Start:
        """How to energise: to a state that ends by itself at a cut-off (`counted`), or to one that holds.

        A document without the first kind gives the second: the host keeps the cut-off then. In a `mode` other
        than current, a state that holds a current whatever the mode (`stage: run`) is none.
        """
        starts = list(self._starts(voltage))
        if mode != "current":
            starts = [each for each in starts if each.state.outputs.get("stage") != "run"]
            if not starts:
                raise PartsError(f"{self._title} has no state that holds the {mode}: discharge at a current")
        name = self._named.get("start")
        if name is not None:
            starts = [each for each in starts if each.action.name == name]
            if not starts:
                raise PartsError(f"--start {name}: no action of that name needs a ticket and energises")
        if not starts:
            raise PartsError(
                f"{self._title} has no action that takes a ticket and leads to a state that is `energised`"
            )
        holding = [each for each in starts if each.cut_off is None]
        ending = [each for each in starts if each.cut_off is not None]
        return ((ending or holding) if counted else (holding or ending))[0]

    def swing(self) -> Swing | None:
        """What steps the current, if the document has all of it."""
        vow = self.vow
        states = {name for name, state in vow.states.items() if state.outputs.get("stage") == "swing"}
        begins = [
            each for each in vow.actions.values() if states & {to for at, to in each.to.items() if at != to}
        ]
        low, high, one, other = (
            self.number_driven(f"swing.{each}") for each in ("low", "high", "low_time", "high_time")
        )
        if not begins or low is None or high is None or one is None or other is None:
            return None
        return Swing(begins[0].name, low, high, (one, other))

    def _starts(self, voltage: Part) -> Iterator[Start]:
        for action in self.vow.actions.values():
            if action.takes_ticket is None:
                continue
            for to in dict.fromkeys(action.to.values()):
                state = self.vow.states[to]
                if state.energised:
                    arm = self.vow.actions[action.takes_ticket]
                    yield Start(arm, action, state, self._cut_off(state, voltage))
                    break

    def _cut_off(self, state: StateEntry, voltage: Part) -> Part | None:
        for leave in state.leaves:
            if leave.when is None or voltage.name not in leave.when.names:
                continue
            if self.vow.states[leave.to].energised:
                continue
            for name in sorted(leave.when.names - {voltage.name}):
                entry = self.vow.points[name]
                if entry.settable and entry.scale is not None and _is(entry, "V"):
                    return _part(entry)
        return None

    # ------------------------------------------------------------------------------------------ finding

    @property
    def _title(self) -> str:
        return self.vow.identity[0]

    def _numbers(self, unit: str) -> list[Part]:
        return [
            _part(each) for each in self.vow.points.values() if each.scale is not None and _is(each, unit)
        ]

    def _given(self, part: str, unit: str) -> Part:
        name = self._named[part]
        entry = self.vow.points.get(name)
        if entry is None or entry.scale is None or not _is(entry, unit):
            raise PartsError(f"--{part} {name}: {self._title} has no number in {unit} of that name")
        return _part(entry)

    def _one(self, part: str, found: list[Part], what: str) -> Part:
        if len(found) == 1:
            return found[0]
        if not found:
            raise PartsError(f"{self._title} has no {part}: the job needs {what}")
        names = ", ".join(each.name for each in found)
        raise PartsError(f"{self._title} has more than one {part}: name one with --{part} ({names})")


def _part(entry: PointEntry) -> Part:
    unit = entry.number.unit
    return Part(entry, 1.0 if unit in ("A.h", "W.h") else si_per_unit(unit))


def _is(entry: PointEntry, unit: str) -> bool:
    own = entry.number.unit
    return own == unit or own == f"m{unit}"
