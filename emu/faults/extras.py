"""Faults of what only some documents say; their exchanges are with a Skerry (`spec/skerry.yaml`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from wirevow.emu.faults.change import with_action, with_document, with_point
from wirevow.emu.faults.fault import Kind
from wirevow.emu.faults.overlay import Overlay
from wirevow.protocol.device import Device
from wirevow.protocol.document.model import rows_of
from wirevow.protocol.message import Request
from wirevow.protocol.vow import ActionEntry, PointEntry, Value, Vow, copies_of, puts_of

extras = Kind("extras")


def _own_digits(vow: Vow) -> bool:
    return any("#" in word for entry in vow.points.values() for word in entry.text)


@extras.device("point.*.text", lambda vow: any(len(entry.text) > 1 for entry in vow.points.values()))
class TextFirstWordOnly(Device):
    """Of a text of several words only the first is answered."""

    def _text(self, entry: PointEntry) -> tuple[str, ...]:
        return super()._text(entry)[:1]


@extras.device("point.*.text", _own_digits)
class TextNeverGivenOut(Device):
    """Nobody has given the instrument its own digits: it answers the pattern."""

    def _text(self, entry: PointEntry) -> tuple[str, ...]:
        return entry.text


@extras.device("point.*.text", _own_digits)
class TextCountsBoots(Device):
    """The digits of its own are kept where the count of boots is."""

    def _text(self, entry: PointEntry) -> tuple[str, ...]:
        digits = iter(f"{self.store.boots - 1:0{sum(word.count('#') for word in entry.text)}d}")
        return tuple("".join(next(digits) if each == "#" else each for each in word) for word in entry.text)


def _begins(vow: Vow) -> bool:
    return bool(vow.extremes) and any(effect == "begin" for a in vow.actions.values() for effect, _ in a.does)


@extras.device("point.*.keeps", _begins)
class ExtremeLooksWhenAsked(Device):
    """Highest and lowest are those of the moments in which a host has asked for them."""

    asked = False

    def look(self, now_ns: int) -> None:
        if self.asked:
            super().look(now_ns)

    def value(self, entry: PointEntry, now_ns: int) -> Value:
        self.asked = entry.extreme_of is not None
        try:
            return super().value(entry, now_ns)
        finally:
            self.asked = False


@extras.device("point.*.keeps", _begins)
class ExtremeBeginsAtNothing(Device):
    """A highest or lowest begins again at zero, as a counter does."""

    def _begin(self, entry: PointEntry, now_ns: int) -> None:
        self.extremes[entry.name] = 0


@extras.device("point.*.keeps", lambda vow: any(entry.highest for entry in vow.extremes))
class ExtremeBothLowest(Device):
    """Of a highest value the lowest is kept: the comparison is the wrong way round."""

    def _keep(self, entry: PointEntry, counts: int) -> None:
        super()._keep(replace(entry, highest=False), counts)


@extras.device("point.*.keeps", _begins)
class ExtremeOutlivesBoot(Device):
    """The highest and the lowest are kept where no boot clears them."""

    def boot(self, cause: str, now_ns: int) -> None:
        kept = dict(self.extremes)
        super().boot(cause, now_ns)
        self.extremes |= kept


@extras.tables("law.* trip.*.fires", lambda vow: any(len(entry.drives_as) > 1 for entry in vow.settings))
def own_words_confused(vow: Vow) -> Vow:
    """Two words of a choice tell the plant what the other means."""
    entry = next(entry for entry in vow.settings if len(entry.drives_as) > 1)
    (first, one), *others, (last, other) = entry.drives_as
    return with_point(vow, entry.name, drives_as=((first, other), *others, (last, one)))


def _numbered(vow: Vow) -> str | None:
    return next((name for name, action in vow.actions.items() if action.many), None)


@extras.device("action.*.effect", lambda vow: _numbered(vow) is not None)
class NumberFromOne(Device):
    """The numbers that an action takes begin at one: nought is taken for it."""

    def _number_of(self, request: Request) -> int:
        given = super()._number_of(request)
        return given - 1 if 0 < given < self.vow.actions[request.name].many else given


@extras.device("action.*.number", lambda vow: _numbered(vow) is not None)
class NumberInAByte(Device):
    """The number of an action is kept in a byte: of one that is larger the low eight bits are taken."""

    def _number_of(self, request: Request) -> int:
        return super()._number_of(request) & 0xFF


@extras.device("action.*.number", lambda vow: _numbered(vow) is not None)
class NumberMissingIsNought(Device):
    """An action that takes a number is done without one too: with the first."""

    def _wrong_arguments(self, action: ActionEntry, arguments: tuple[str, ...]) -> tuple[str, ...] | None:
        return None if action.many and not arguments else super()._wrong_arguments(action, arguments)

    def _number_of(self, request: Request) -> int:
        return super()._number_of(request) if request.arguments else 0


@extras.tables("action.*.effect", lambda vow: any(copies_of(action) for action in vow.actions.values()))
def row_one_short(vow: Vow) -> Vow:
    """Of the settings that an action puts at what others are the last is left as it was."""
    name = next(name for name, action in vow.actions.items() if copies_of(action))
    return with_action(vow, name, does=vow.actions[name].does[:-1])


def _putting(vow: Vow) -> str | None:
    return next((name for name, action in vow.actions.items() if len(puts_of(action)) > 1), None)


@extras.device("action.*.effect", lambda vow: _putting(vow) is not None)
class PresetResetsTheRest(Device):
    """An action that puts some settings brings the others to their defaults."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        if puts_of(action):
            self._replace(self._defaults(saved_only=False), now_ns)
        return super()._perform(action, target, now_ns)


def _spread(vow: Vow) -> bool:
    return any(vow.points[trip.reports].signal == "stage.spread" for trip in vow.trips.values())


@extras.plant("trip.*.fires", _spread)
class ShareOfOneOnly(Overlay):
    """What the transistors carry is taken from one of them alone, for each of them."""

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return super().watch(key, signal, above, 1e9 if signal == "stage.spread" else threshold)

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return 0.0 if signal == "stage.spread" else value


@extras.plant(
    "trip.*.fires", lambda vow: any(vow.points[t.reports].signal == "heat.second" for t in vow.trips.values())
)
class SecondChannelIsFirst(Overlay):
    """The converter's channel is never switched to the second thermistor: the first is read twice."""

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return super().watch(key, _the_first(signal), above, threshold)

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        return super().sample(_the_first(signal), tick, period_ns)


def _the_first(signal: str) -> str:
    return "heat.temperature" if signal == "heat.second" else signal


@extras.tables("fan.curve", lambda vow: vow.document.fan is not None and vow.document.fan.between == "line")
def fan_line_in_steps(vow: Vow) -> Vow:
    """Between two levels of the fan nothing is worked out: the lower one holds until the higher begins."""
    fan = vow.document.fan
    assert fan is not None
    return with_document(vow, fan=fan.model_copy(update={"between": "steps"}))


def _list_of(vow: Vow, key: str) -> list[str]:
    """The controls that hold the levels (`level`) or the times (`lasts`) of a list, row by row."""
    rows = next((law.rows for law in vow.document.laws.values() if law.rows is not None), None)
    names = [] if rows is None else rows_of(vow.document, getattr(rows, key))
    return [drives for name in names if (drives := vow.points[name].drives) is not None]


class _Listed(Overlay):
    """A plant that steps through other rows than it is told."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        super().control({self.other(name): value for name, value in changes.items()}, now_ns)

    def other(self, name: str) -> str:
        """Where it keeps what this control says."""
        return name


@extras.plant("law.*.rows", lambda vow: bool(_list_of(vow, "lasts")))
class ListTimesOneRowOn(_Listed):
    """The times of a list are taken one row further on: each belongs to the level before."""

    def other(self, name: str) -> str:
        times = _list_of(self.vow, "lasts")
        return times[times.index(name) - 1] if name in times else name


@extras.plant("law.*.rows state.*.leave.*", lambda vow: bool(_list_of(vow, "level")))
class ListForgetsTheLast(Overlay):
    """The last row that is used is left out."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        rows = changes.get("steps.rows")
        fewer = {"steps.rows": max(1.0, rows - 1.0)} if isinstance(rows, float) else {}
        super().control({**changes, **fewer}, now_ns)


@extras.plant("law.*.rows", lambda vow: bool(_list_of(vow, "lasts")))
class ListRunsSlow(Overlay):
    """Each row of a list lasts 3 % longer than it says: the timer is started anew a little late."""

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        times = _list_of(self.vow, "lasts")
        longer = {name: 1.03 * float(value) for name, value in changes.items() if name in times}
        super().control({**changes, **longer}, now_ns)
