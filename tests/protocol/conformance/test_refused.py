"""Instruments in which something refused has an effect, or something of a line lasts into the next."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from tests.protocol.conformance.instruments import try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults.lines import ByteFramer
from wirevow.emu.faults.trips import RefusedClearEnergises
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Malformed, Reply, Request
from wirevow.protocol.vow import PointEntry, Value


class _ActsWhenRefused(Device):
    """The outputs are switched before it is known whether an action is done."""

    refusal: tuple[str, ...]

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        target = self.vow.actions[request.name].to.get(self.state) if not ok else None
        if target is not None and words[: len(self.refusal)] == self.refusal:
            self.world.control(self.vow.states[target].outputs, now_ns)
        return ok, words


class SwitchesWhileBusy(_ActsWhenRefused):
    refusal = ("busy",)


class SwitchesBeforeTheGuard(_ActsWhenRefused):
    refusal = ("state", "guard")


class PulsesWhileBusy(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("busy",):
            for kind, what in self.vow.actions[request.name].does:
                if kind == "pulse":
                    self._effect(kind, what, now_ns)
        return ok, words


class _DrivesWhenRefused(Device):
    """A number goes to its converter as soon as it has been read."""

    refusal = ""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        entry = self.vow.points.get(request.name)
        if entry is not None and entry.scale is not None and words[:1] == (self.refusal,):
            parsed = entry.scale.parse(request.arguments[0])
            if parsed is not None and entry.drives is not None:
                self.world.control({entry.drives: parsed[0] * entry.si}, now_ns)
        return ok, words


class DrivesWhileBusy(_DrivesWhenRefused):
    refusal = "busy"


class DrivesBeforeTheUnit(_DrivesWhenRefused):
    refusal = "unit"


class DrivesBeforeTheRange(_DrivesWhenRefused):
    refusal = "range"


class DrivesDefaultsWhileBusy(Device):
    """What is asked for is refused, and in the converters all the same; a start does not tell them anew."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("busy",) and ("defaults", "") in self.vow.actions[request.name].does:
            settings = self.settings
            self.settings = {**settings, **self._defaults(saved_only=False)}
            self._drive(list(settings), now_ns)
            self.settings = settings
        return ok, words


class TimeBeginsAnewWhileBusy(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("busy",) and self.vow.actions[request.name].gives_ticket_ns is not None:
            self.entered_ns = now_ns
            self.world.changed(None, now_ns)
        return ok, words


class WatchesByWhatIsRefused(Device):
    """A threshold follows a put that is refused because the panel has control."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        entry = self.vow.points.get(request.name)
        if words[:1] == ("busy",) and entry is not None and entry.drives != "level.current":
            given = self._read(entry, request)
            if isinstance(given, int):
                self._set(entry, given, now_ns)
        return ok, words


class WatchesWhatIsOutOfRange(Device):
    """A threshold goes as far as it may when it is told more, though that is refused."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        entry = self.vow.points.get(request.name)
        if words[:1] == ("range",) and entry is not None and entry.drives is None:
            given = self._read(entry, request)
            assert isinstance(given, int)
            low, high = self.bounds(entry, now_ns)
            self._set(entry, min(max(given, low), high), now_ns)
        return ok, words


class EndsByWhatIsRefused(Device):
    """What a state cannot be told, it looks at all the same."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if words[:1] == ("state",):
            entry = self.vow.points[request.name]
            given = self._read(entry, request)
            if isinstance(given, int) and entry.drives is None:
                self._set(entry, given, now_ns)
        return ok, words


class StoresWhileBusy(Device):
    """The cells have been written, and are not counted, when it is seen that the panel has control."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("busy",) and ("save", "") in self.vow.actions[request.name].does:
            saves = self.store.saves
            self._save()
            self.store.saves = saves
        return ok, words


class LimitsStayAtThePanel(Device):
    """Limits that depend on settings are those of the last put."""

    stale: Mapping[str, tuple[int, int]] = {}

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        numbers = [entry for entry in self.vow.settings if entry.scale is not None]
        stale = {entry.name: self.bounds(entry, now_ns) for entry in numbers}
        super().panel(name, value, now_ns)
        self.stale = stale if name in self.settings else self.stale

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        self.stale = {}

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        return self.stale.get(entry.name) or super().bounds(entry, now_ns)


class LimitsByWhatIsRefused(Device):
    """A put that is refused because the panel has control moves the limits of others."""

    told: Mapping[str, Value] = {}

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if words[:1] == ("busy",):
            given = self._read(self.vow.points[request.name], request)
            assert not isinstance(given, tuple)
            self.told = {**self.told, request.name: given}
        return ok, words

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        settings, self.settings = self.settings, {**self.settings, **self.told}
        try:
            return super().bounds(entry, now_ns)
        finally:
            self.settings = settings


class _EmptiesItsBuffer(Device):
    """What has come behind a line that is refused so is lost."""

    refusal = ""
    lost = False

    def receive(self, data: bytes, now_ns: int) -> None:
        self.lost = False
        super().receive(data, now_ns)

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if not self.lost:
            super().line(line, now_ns)

    def _answer(self, reply: Reply) -> bytes:
        self.lost = not reply.ok and reply.words[0] == self.refusal
        return super()._answer(reply)


class EmptiesItsBufferBehindUnknown(_EmptiesItsBuffer):
    refusal = "unknown"


class EmptiesItsBufferBehindChecks(_EmptiesItsBuffer):
    refusal = "check"


class EachPauseBeginsALine(ByteFramer):
    def idle(self) -> None:
        again = self._stale
        super().idle()
        self._stale = not again


class EndsDiscardingAtASecondPause(Device):
    framer = EachPauseBeginsALine


class TakesAnyUnit(Device):
    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        known = {quantity.unit for quantity in self.vow.document.quantities.values()}
        return super()._unit(unit, given, checked) or (len(given) == 1 and given[0] in known)


class LooseAfterAChecked(Device):
    """What a check allows, it allows the next line as well."""

    loose = False

    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        self.loose = request.checked and ok
        return ok, words

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        return super()._read(entry, request._replace(checked=request.checked or self.loose))


class LooseAfterARefused(LooseAfterAChecked):
    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        self.loose = request.checked and not ok
        return ok, words


class _BehindALongLine(Device):
    """Whether the line before was too long."""

    kept = False

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        self.kept = isinstance(line, Overlong)


class SumsOnBehindALongLine(_BehindALongLine):
    """The sum of a line that is dropped is not begun anew for the next."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        return Malformed("check") if self.kept and isinstance(parsed, Request) and parsed.checked else parsed


class KeepsTheTagOfALongLine(_BehindALongLine):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        if self.kept and isinstance(parsed, Malformed) and parsed.tag is None:
            return parsed._replace(tag="@1f")
        return parsed


SHOWS: list[tuple[str, str, type[Device]]] = [
    ("reachable", "state.armed.reachable", SwitchesWhileBusy),
    ("reachable", "state.sinking.reachable", DrivesWhileBusy),
    ("reachable", "state.sinking.reachable", DrivesBeforeTheUnit),
    ("reachable", "state.sinking.reachable", DrivesBeforeTheRange),
    ("reachable", "state.sinking.reachable", DrivesDefaultsWhileBusy),
    ("leave", "state.armed.leave.1", TimeBeginsAnewWhileBusy),
    ("zeroing", "action.capacity.zero.effect", PulsesWhileBusy),
    ("longest_at_once", "wire.order", SumsOnBehindALongLine),
    ("reachable", "state.armed.reachable", SwitchesBeforeTheGuard),
    ("guard", "action.swing.begin.guard", SwitchesBeforeTheGuard),
    ("fires", "trip.thermistor_open.fires", RefusedClearEnergises),
    ("fires", "trip.overvoltage.fires", WatchesByWhatIsRefused),
    ("fires", "trip.link_silent.fires", WatchesByWhatIsRefused),
    ("refused_is_not_done", "wire.atomic", StoresWhileBusy),
    ("pulses_instead_of_time", "action.swing.trigger.effect", PulsesWhileBusy),
    ("busy", "wire.reasons", LimitsStayAtThePanel),
    ("busy", "wire.reasons", LimitsByWhatIsRefused),
    ("longest_at_once", "wire.order", EmptiesItsBufferBehindUnknown),
    ("longest_at_once", "wire.order", EmptiesItsBufferBehindChecks),
    ("idle_of_all_lines", "wire.idle", EndsDiscardingAtASecondPause),
    ("units_of_one_number", "wire.unit", TakesAnyUnit),
    ("written_otherwise", "wire.exact", LooseAfterAChecked),
    ("units_of_one_number", "wire.unit", LooseAfterARefused),
    ("tag", "wire.tag", KeepsTheTagOfALongLine),
]


def try_it(hands: Hands, name: str, about: str) -> None:
    hands.acquaint()
    try_purpose(hands, name, about)


@pytest.mark.parametrize(("name", "about", "device"), SHOWS)
def test_it_shows_a_device_that(name: str, about: str, device: type[Device]) -> None:
    vow = vow_of("tarn")
    with pytest.raises(Broken):
        try_it(direct_tester(vow, Instrument(vow, device_class=device)), name, about)


def test_it_shows_thresholds_that_follow_what_is_out_of_range() -> None:
    vow = vow_of("tarn")
    hands = direct_tester(vow, Instrument(vow, device_class=WatchesWhatIsOutOfRange))
    try_it(hands, "fires", "trip.overcurrent.fires")  # while busy
    with pytest.raises(Broken):
        try_it(hands, "fires", "trip.overvoltage.fires")


def test_it_shows_a_state_that_ends_by_what_is_refused() -> None:
    vow = vow_of("tarn")
    found = 0
    for seed in range(4):  # some of what the state cannot be told is tried
        hands = direct_tester(vow, Instrument(vow, device_class=EndsByWhatIsRefused), seed=seed)
        try:
            try_it(hands, "reachable", "state.discharging.reachable")
        except Broken:
            found += 1
    assert found


@pytest.mark.parametrize(("name", "about"), sorted({each[:2] for each in SHOWS}))
def test_it_bears_a_good_one(name: str, about: str) -> None:
    vow = vow_of("tarn")
    try_it(direct_tester(vow, Instrument(vow)), name, about)
