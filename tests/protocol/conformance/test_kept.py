"""What is read, kept, saved and lost: devices that do one thing wrong are shown, a good one is not."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence

import pytest

from tests.protocol.conformance.instruments import try_purpose, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults.overlay import Overlay
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.build import plant_of
from wirevow.emu.plant.interface import Plant
from wirevow.protocol.conformance.outcome import Broken, NoInstrument
from wirevow.protocol.conformance.purposes import PURPOSES
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Malformed, Request, check_of
from wirevow.protocol.vow import PointEntry, Value


class ScalesIn32Bits(Device):
    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        return given % (1 << 32) if isinstance(given, int) and given > 0 else given


class HasNoPlaceForTheSign(Device):
    """Nine digits and a point fill the buffer of a number."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is not None and len(request.arguments[0]) > 10:
            return ("type", "number")
        return super()._read(entry, request)


class AddsTheDigitsAfterThePoint(Device):
    """0.5 is five of the last digit."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        digits = request.arguments[0].partition(".")[2] if request.arguments else ""
        if isinstance(given, int) and 0 < len(digits) < entry.number.digits:
            return given - given % 10**entry.number.digits + int(digits)
        return given


class AddsThemBelowZero(Device):
    """The digits after the point are counted upwards below zero too, if some are left out."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        digits = request.arguments[0].partition(".")[2] if request.arguments else ""
        if isinstance(given, int) and given < 0 and 0 < len(digits) < entry.number.digits:
            return given + 2 * (-given % 10**entry.number.digits)
        return given


class WantsAllDigitsWithoutAUnit(Device):
    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        if not isinstance(given, int) or len(request.arguments) > 1 or entry.number.unit == "1":
            return given
        exact = entry.number.text(given) == request.arguments[0]
        return given if exact else ("type", "digits", str(entry.number.digits))


class KeepsWhatIsNotSaved(Device):
    """Over a boot that is asked for."""

    def boot(self, cause: str, now_ns: int) -> None:
        kept = {e.name: self.settings[e.name] for e in self.vow.settings if not e.saved and self.settings}
        super().boot(cause, now_ns)
        if cause == "request":
            self.settings |= kept


class EmptiesTheStoreByRecall(Device):
    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        super()._effect(effect, what, now_ns)
        if effect == "recall":
            self.store.settings = {}


class LimitsByDefaultsAfterABoot(Device):
    """Until something is put, limits that depend on settings are those of the defaults."""

    untouched = True

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self.untouched = True

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        self.untouched = False

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        present = self.settings
        if self.untouched:
            self.settings = {each.name: each.default for each in self.vow.settings}
        try:
            return super().bounds(entry, now_ns)
        finally:
            self.settings = present


class DrivesOnAfterAReset(Device):
    """The reset pin leaves the outputs of the state where they were."""

    def boot(self, cause: str, now_ns: int) -> None:
        outputs: Mapping[str, float | str] = self.vow.states[self.state].outputs
        super().boot(cause, now_ns)
        if cause == "reset":
            self.world.control(outputs, now_ns)


class RemembersTheTrip(Device):
    """Over a loss of power, as a store would."""

    def boot(self, cause: str, now_ns: int) -> None:
        last = self.last_trip
        super().boot(cause, now_ns)
        if cause == "power":
            self.last_trip = last


class RemembersTheCapture(Device):
    """Over a boot that is asked for, which clears no memory."""

    def boot(self, cause: str, now_ns: int) -> None:
        records = dict(self._records)
        super().boot(cause, now_ns)
        if cause == "request":
            self._records |= records


class SavesByHand(Device):
    """What is set at the panel is saved at once."""

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        if name in self.settings:
            self.store.settings[name] = self.settings[name]


class SavesWordsInOneBit(Device):
    def _save(self) -> None:
        super()._save()
        for entry in self.vow.settings:
            if entry.saved and entry.choices:
                kept = entry.choices.index(str(self.settings[entry.name])) & 1
                self.store.settings[entry.name] = entry.choices[kept]


class HoldsWhatComesBackInDefaultLimits(Device):
    """Settings come back one after another, each within the limits that those before it allow."""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        saved = self.settings
        self.settings = {entry.name: entry.default for entry in self.vow.settings}
        for entry in self.vow.settings:
            value = saved[entry.name]
            if isinstance(value, int):
                low, high = self.bounds(entry, now_ns)
                value = min(max(value, low), high)
            self.settings[entry.name] = value


class SavesTheSwitchForNotices(Device):
    switch = True

    def _save(self) -> None:
        super()._save()
        self.switch = self.notices

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self.notices = self.switch


class LeavesTheFanDriven(Device):
    """A boot that is asked for drives what was saved, and leaves the rest as it was."""

    asked_for = False

    def boot(self, cause: str, now_ns: int) -> None:
        self.asked_for = cause == "request"
        super().boot(cause, now_ns)
        self.asked_for = False

    def _drive(self, names: Sequence[str], now_ns: int) -> None:
        super()._drive([n for n in names if self.vow.points[n].saved or not self.asked_for], now_ns)


class WatchesByOldLimits(Instrument):
    """Over a boot, what is watched in every state is compared as before."""

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None:
        if names is None or "panel.control" not in names or len(names) == 1:
            super().changed(names, now_ns)


class AnIndexMayBeLong(Device):
    """An index may have ten digits; it is too large, and no more."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        long = len(arguments) == 1 and arguments[0].isdigit() and len(arguments[0]) > 9
        return super()._part(entry, ("999999999",) if long else arguments, now_ns)


class AskingForTheGuardIsNoMatter(Device):
    """A checked question about the guard does not turn it on."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        guard = self.guard
        super().line(line, now_ns)
        if isinstance(line, bytes) and b"ask link.guard" in line:
            self._set_guard(guard)


class ChecksWithoutTheTag(Device):
    """A check that is right without the tag passes as well."""

    def _parse(self, line: bytes) -> Request | Malformed:
        tag, _, rest = line.partition(b" ")
        body, _, check = rest.rpartition(b" ~")
        if tag.startswith(b"@") and check_of(body).encode() == check:
            line = tag + b" " + body
            line += b" ~" + check_of(line).encode()
        return super()._parse(line)


class CapturesWithoutSign(Device):
    def captured(self, record: str, series: Mapping[str, Sequence[int]], now_ns: int) -> None:
        held = {name: [max(0, value) for value in values] for name, values in series.items()}
        super().captured(record, held, now_ns)


class DoesNotBelieveInSuchHeat(Overlay):
    """What is too warm to be true drives no fan."""

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return 0.0 if signal == "fan.duty" and self.inner.at("heat.temperature", when_ns) > 120.0 else value


def tried(name: str, about: str, device: type[Device], plant: Plant | None = None) -> None:
    vow = vow_of("tarn")
    hands = direct_tester(vow, Instrument(vow, device_class=device, plant=plant))
    hands.acquaint()
    try_purpose(hands, name, about)
    hands.trying = None
    hands.home()


@pytest.mark.parametrize(
    ("name", "about", "device"),
    [
        ("written_otherwise", "wire.exact", ScalesIn32Bits),
        ("written_otherwise", "wire.exact", HasNoPlaceForTheSign),
        ("written_otherwise", "wire.exact", AddsTheDigitsAfterThePoint),
        ("written_otherwise", "wire.exact", AddsThemBelowZero),
        ("written_otherwise", "wire.exact", WantsAllDigitsWithoutAUnit),
        ("saved", "point.sink.level.saved", KeepsWhatIsNotSaved),
        ("saved", "point.sink.level.saved", EmptiesTheStoreByRecall),
        ("saved", "point.sink.level.saved", LimitsByDefaultsAfterABoot),
        ("saved_is_in_force", "point.sink.level.saved", DrivesOnAfterAReset),
        ("boot_forgets_trips", "wire.boot", RemembersTheTrip),
        ("boot_forgets", "wire.boot", RemembersTheCapture),
        ("local", "point.sink.level.local", SavesByHand),
        ("saved", "point.sink.level.saved", SavesWordsInOneBit),
        ("saved", "point.sink.level.saved", HoldsWhatComesBackInDefaultLimits),
        ("saved", "point.sink.level.saved", SavesTheSwitchForNotices),
        ("drives_no_more", "point.fan.manual.default", LeavesTheFanDriven),
        ("misspelt", "wire.syntax", ChecksWithoutTheTag),
        ("parts_there_are_none_of", "wire.bulk", AnIndexMayBeLong),
        ("unchecked_of_all_kinds", "wire.guard", AskingForTheGuardIsNoMatter),
        ("series_below_zero", "record.capture.layout", CapturesWithoutSign),
    ],
)
def test_it_shows_a_device_that(name: str, about: str, device: type[Device]) -> None:
    tried(name, about, Device)
    with pytest.raises(Broken):
        tried(name, about, device)


def test_a_fan_follows_a_reading_that_can_hardly_be_true() -> None:
    vow = vow_of("tarn")
    plant = DoesNotBelieveInSuchHeat(plant_of(vow.document, None, 0), vow)
    with pytest.raises(Broken, match=r"fan\.curve"):
        tried("fires", "trip.thermistor_shorted.fires", Device, plant)


def test_what_is_watched_after_a_boot_is_compared_with_what_came_back() -> None:
    vow = vow_of("tarn")
    (purpose,) = (each for each in PURPOSES if each.work.__name__ == "watched_by_what_came_back")
    (requirement,) = (r for r in requirements(vow.document) if r.id == "trip.overvoltage.fires")
    for instrument, wrong in ((Instrument(vow), False), (WatchesByOldLimits(vow), True)):
        hands = direct_tester(vow, instrument)
        hands.acquaint()
        hands.home()
        with pytest.raises(Broken) if wrong else contextlib.nullcontext():
            purpose.work(hands, requirement)


class PanelIsDead(Device):
    """Nobody gets control at the panel, or gives it back."""

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        raise ValueError(f"{name} is stuck")


def test_a_bench_that_cannot_be_brought_to_its_base_ends_a_check_in_words() -> None:
    vow = vow_of("tarn")
    hands = direct_tester(vow, Instrument(vow, device_class=PanelIsDead))
    with pytest.raises(NoInstrument, match=r"panel\.control cannot be brought to remote.*is stuck"):
        hands.acquaint()
