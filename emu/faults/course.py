"""Faults of how a level runs over time: by turns with another, at its rate, and until it has settled."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from wirevow.emu.faults.change import with_document
from wirevow.emu.faults.fault import Kind
from wirevow.emu.faults.overlay import Overlay
from wirevow.emu.plant.interface import Crossing, Plant
from wirevow.emu.plant.sink_section import SinkPlant
from wirevow.protocol.vow import Vow

course = Kind("course", seen=13)


def _times(vow: Vow) -> list[tuple[str, str]]:
    """The controls that hold the times of each alternation: of its first level, of its second."""
    found = []
    for law in vow.document.laws.values():
        if law.phases is not None:
            first, second = (vow.points[phase.lasts].drives for phase in law.phases)
            if first is not None and second is not None:
                found.append((first, second))
    return found


def _alternates(vow: Vow) -> bool:
    return bool(_times(vow))


class _Timed(Overlay):
    """A plant whose alternations run by other times than it is told."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.told: dict[str, float] = {}

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        wrong = dict(changes)
        self.told.update((name, value) for name, value in changes.items() if not isinstance(value, str))
        for first, second in _times(self.vow):
            if first in self.told and second in self.told and {first, second} & changes.keys():
                wrong[first], wrong[second] = self.times(self.told[first], self.told[second])
        super().control(wrong, now_ns)

    def times(self, first: float, second: float) -> tuple[float, float]:
        """The times it runs by, in seconds."""
        return first, second


@course.plant("law.*.period law.*.width", _alternates)
class AlternationSlow(_Timed):
    """The timer of an alternation is reloaded a little late at every tick: all its times are 3 % too long."""

    def times(self, first: float, second: float) -> tuple[float, float]:
        return 1.03 * first, 1.03 * second


@course.plant("law.*.period law.*.width", _alternates)
class AlternationOneTime(_Timed):
    """Both levels of an alternation last as long as the second: one variable is used for the other."""

    def times(self, first: float, second: float) -> tuple[float, float]:
        return second, second


@course.plant("law.*.width", _alternates)
class AlternationPulseShort(_Timed):
    """The second level of an alternation ends 4 % early, and the first lasts longer: the period is right."""

    def times(self, first: float, second: float) -> tuple[float, float]:
        return first + 0.04 * second, 0.96 * second


def _rates(vow: Vow) -> set[str]:
    """The controls that bound a rate."""
    bounds = (law.at_most for law in vow.document.laws.values() if law.at_most is not None)
    return {drives for name in bounds if (drives := vow.points[name].drives) is not None}


@course.plant("law.*.rate", lambda vow: bool(_rates(vow)))
class RateIgnored(Overlay):
    """What bounds the rate of change is kept, and never handed on: every change is as fast as can be."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        wrong = {name: value for name, value in changes.items() if name not in _rates(self.vow)}
        for name in changes.keys() - wrong.keys():
            wrong[name] = self.controls[name].high
        super().control(wrong, now_ns)


def _settling(vow: Vow) -> Iterator[str]:
    """The controls of the settings that a law with a settling time has a tester put."""
    for law in vow.document.laws.values():
        if law.holds is not None and law.settle and law.provoke is not None:
            for name in law.provoke.put:
                drives = vow.points[name].drives
                if name in law.holds.names and drives is not None and vow.points[name].scale is not None:
                    yield drives


_LATE_NS = 200_000_000


def _rests_early(vow: Vow) -> bool:
    """Some law about a state at rest has to hold before this fault lets it."""
    return any(
        law.holds is not None
        and law.settle <= _LATE_NS // 2
        and law.armed_in is not None
        and not any(vow.states[state].energised for state in law.armed_in)
        for law in vow.document.laws.values()
    ) and bool(vow.states[vow.initial].outputs)


@course.plant("law.*.settling law.*", _rests_early)
class RestLate(Overlay):
    """What ends the handling of power is done in the slow loop: it goes on for a fifth of a second."""

    due: tuple[int, Mapping[str, float | str]] | None = None
    powered = False

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        outputs = [state for state in self.vow.states.values() if state.outputs.items() <= changes.items()]
        if any(state.energised for state in outputs):
            self.powered, self.due = True, None
        elif outputs and self.powered:
            self.powered = False
            self.due = now_ns + _LATE_NS, {name: passed.pop(name) for name in outputs[0].outputs}
        super().control(passed, now_ns)

    def quiet_until_ns(self) -> int:
        quiet_ns = super().quiet_until_ns()
        return quiet_ns if self.due is None else min(quiet_ns, self.due[0])

    def advance(self, to_ns: int) -> Crossing | None:
        if self.due is not None and self.due[0] <= to_ns:
            when_ns, outputs = self.due
            crossing = super().advance(when_ns)
            if crossing is not None:
                return crossing
            self.due = None
            super().control(outputs, when_ns)
        return super().advance(to_ns)


@course.plant("law.* point.*.fresh limit.*", lambda vow: any(_settling(vow)))
class LevelFallsSlowly(Overlay):
    """A lower level is reached by a fifth of what is left every 50 ms: a filter meant for the display."""

    every_ns = 50_000_000

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.slow = next(_settling(vow))
        self.present = 0.0
        self.goal: float | None = None
        self.next_ns = 0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        value = passed.get(self.slow)
        if isinstance(value, float | int):
            self.goal = None
            if value < self.present:
                self.goal, self.next_ns = value, now_ns + self.every_ns
                passed[self.slow] = self.present
            else:
                self.present = value
        super().control(passed, now_ns)

    def quiet_until_ns(self) -> int:
        quiet_ns = super().quiet_until_ns()
        return quiet_ns if self.goal is None else min(quiet_ns, self.next_ns)

    def advance(self, to_ns: int) -> Crossing | None:
        while self.goal is not None and self.next_ns <= to_ns:
            crossing = super().advance(self.next_ns)
            if crossing is not None:
                return crossing
            left = 0.8 * (self.present - self.goal)
            self.present = self.goal + left
            super().control({self.slow: self.present}, self.next_ns)
            self.next_ns += self.every_ns
            if left < 0.001:
                self.goal = None
        return super().advance(to_ns)


# ------------------------------------------------------------------------------------------------ fifth round


def _rising(vow: Vow) -> tuple[str, str, dict[str, float | str]] | None:
    """What bounds a rate, what drives the level it bounds, and the outputs of the state it holds in."""
    for law in vow.document.laws.values():
        if law.at_most is not None and law.provoke is not None and law.armed_in:
            bound = vow.points[law.at_most].drives
            levels = [vow.points[name].drives for name in law.provoke.put if name != law.at_most]
            if bound is not None and levels and levels[-1] is not None:
                return bound, levels[-1], dict(vow.states[law.armed_in[0]].outputs)
    return None


@course.plant("law.*.rate", lambda vow: _rising(vow) is not None)
class RateForRisesOnly(Overlay):
    """What bounds the rate of change is heeded on the way up; downwards every change is as fast as can be."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        found = _rising(vow)
        assert found is not None
        self.bound, self.level, self.outputs = found
        self.told: float | str = self.controls[self.bound].high
        self.present = 0.0
        self.live = False

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        self.told = passed.get(self.bound, self.told)
        if self.outputs.keys() <= passed.keys():
            self.live = self.outputs.items() <= passed.items()
            passed[self.bound] = self.told
        level = passed.get(self.level)
        if isinstance(level, float | int):
            falls = self.live and level < self.present
            passed[self.bound] = self.controls[self.bound].high if falls else self.told
            self.present = level
        super().control(passed, now_ns)


@course.plant("law.*.period law.*.width point.*.fresh", _alternates)
class AlternationKeepsFirstTimes(Overlay):
    """The times of an alternation are taken over when it begins; what is put meanwhile waits for the next."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        laws = [law for law in vow.document.laws.values() if law.phases is not None]
        self.states = [vow.states[name].outputs for law in laws for name in law.armed_in or ()]
        self.times = {control for pair in _times(vow) for control in pair}
        self.live = False
        self.held: dict[str, float | str] = {}

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        if any(outputs.keys() <= changes.keys() for outputs in self.states):
            self.live = any(outputs.items() <= changes.items() for outputs in self.states)
            passed = self.held | passed
            self.held = {}
        elif self.live:
            self.held |= {name: passed.pop(name) for name in self.times & passed.keys()}
        super().control(passed, now_ns)


@course.plant("law.*.period law.*.width point.*.fresh", _alternates)
class AlternationInWholeMilliseconds(_Timed):
    """The times of an alternation are counted in milliseconds, and the rest of them is cut off."""

    def times(self, first: float, second: float) -> tuple[float, float]:
        return max(int(first * 1000 + 1e-6), 1) / 1000, max(int(second * 1000 + 1e-6), 1) / 1000


def _creeping(vow: Vow) -> bool:
    """A law allows less than half a second for a level that a loop has to find."""
    return isinstance(vow.document.plant, SinkPlant) and any(
        law.holds is not None
        and law.settle <= 500_000_000
        and law.provoke is not None
        and any(vow.points[name].scale is None for name in law.provoke.put)
        for law in vow.document.laws.values()
    )


@course.tables("law.*.settling law.*", _creeping)
def loop_creeps(vow: Vow) -> Vow:
    """The loops of the other modes creep: their gain is one for another sample time."""
    plant = vow.document.plant
    assert isinstance(plant, SinkPlant)
    slow = plant.regulation.model_copy(update={"gain": 0.004})
    return with_document(vow, plant=plant.model_copy(update={"regulation": slow}))


# ------------------------------------------------------------------------------------------------ sixth round


def _drives_rate(vow: Vow) -> bool:
    return any(entry.drives == "slew" for entry in vow.settings)


@course.plant("law.*.rate", _drives_rate)
class RateInWholeThousands(Overlay):
    """What bounds the rate of change is handed on in whole amperes for a millisecond, and never below one."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        slew = passed.get("slew")
        if isinstance(slew, float):
            passed["slew"] = max(int(slew / 1000), 1) * 1000.0
        super().control(passed, now_ns)


@course.plant("law.*.rate", _drives_rate)
class RateNotAtTheStart(Overlay):
    """A start goes to its level as fast as can be; what bounds the rate of change is heeded thereafter."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        entry = next(entry for entry in vow.settings if entry.drives == "slew")
        self.fastest = entry.number.high * entry.si
        self.told: float | str = self.fastest
        self.free = self.live = False

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        self.told = passed.get("slew", self.told)
        stage = passed.get("stage")
        if stage is not None:
            if stage != "off" and not self.live:
                self.free = True
                passed["slew"] = self.fastest
            self.live = stage != "off"
        elif self.free and {"level.current", "slew"} & passed.keys():
            self.free = False
            passed["slew"] = self.told
        super().control(passed, now_ns)


@course.plant(
    "law.*.period law.*.width state.*.leave.*",
    lambda vow: _alternates(vow) and any(entry.signal == "swing.done" for entry in vow.points.values()),
)
class DoneCountsBothLevels(Overlay):
    """The count of what is done goes up at the end of both levels of an alternation, not of the second."""

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return super().watch(key, signal, above, threshold / 2 if signal == "swing.done" else threshold)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return 2 * value if signal == "swing.done" else value


# ---------------------------------------------------------------------------------------------- eighth round


@course.plant("law.*.rate", lambda vow: _drives_rate(vow) and _alternates(vow))
class RateLostAfterAlternation(Overlay):
    """An alternation frees the rate of change for its steps and does not bind it again when it ends."""

    told: float | str | None = None
    stage: float | str = "off"

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        self.told = passed.get("slew", self.told)
        stage = passed.get("stage", self.stage)
        if self.stage == "swing" and stage == "hold":
            passed["slew"] = self.controls["slew"].high
        elif stage == "off" and self.stage != "off" and self.told is not None:
            passed["slew"] = self.told
        self.stage = stage
        super().control(passed, now_ns)


_SIXTEEN_BITS = 1 << 16
_TENTH_MS = 1e-4


@course.plant(
    "law.*.period law.*.width",
    lambda vow: any(
        entry.drives in pair and entry.number.high * entry.si > _SIXTEEN_BITS * _TENTH_MS
        for pair in _times(vow)
        for entry in vow.settings
    ),
)
class AlternationTimesIn16Bits(_Timed):
    """The times of an alternation go to its timer in 16 bits of tenths of a millisecond."""

    def times(self, first: float, second: float) -> tuple[float, float]:
        return self.rounded(first), self.rounded(second)

    @staticmethod
    def rounded(span: float) -> float:
        ticks = round(span / _TENTH_MS) % _SIXTEEN_BITS
        return max(ticks, 2) * _TENTH_MS
