"""Faults of boots, clocks, the settings store, the identity and the bulk records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from wirevow.emu.faults.change import with_document, with_point
from wirevow.emu.faults.fault import Kind
from wirevow.emu.faults.numbers import HeldOutputs, below_zero, has_dependent_limit
from wirevow.emu.instrument import Instrument
from wirevow.protocol.device import NS_PER_S, Answer, Device
from wirevow.protocol.document.model import Record, RecordField
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.message import Request
from wirevow.protocol.quantity import parse_integer
from wirevow.protocol.record import build, parts_of
from wirevow.protocol.vow import PointEntry, Value, Vow, part_bytes, record_of

boots = Kind("boots", seen=70)


def does(vow: Vow, *effects: str) -> bool:
    """Each of these effects belongs to some action."""
    found = {effect for action in vow.actions.values() for effect, _ in action.does}
    return found.issuperset(effects)


def _has_system(vow: Vow, system: str) -> bool:
    return any(entry.system == system for entry in vow.points.values())


def _image(vow: Vow) -> PointEntry | None:
    """The first bulk point whose record has no series: an image of present values."""
    images = (
        entry
        for entry in vow.points.values()
        if entry.record is not None and all(each.count == 1 for each in record_of(vow, entry).fields)
    )
    return next(images, None)


def _has_image(vow: Vow) -> bool:
    return _image(vow) is not None


def _fields(vow: Vow) -> list[RecordField]:
    """The fields of that image; none without one."""
    entry = _image(vow)
    return [] if entry is None else record_of(vow, entry).fields


def _has_choice(vow: Vow) -> bool:
    """Whether that image has a word in it."""
    named = (vow.points.get(str(field.value)) for field in _fields(vow))
    return any(entry is not None and entry.source == "setting" and entry.scale is None for entry in named)


def _has_two_parts(vow: Vow) -> bool:
    """Whether that image has a second part: many fit into one."""
    entry = _image(vow)
    return entry is not None and parts_of(record_of(vow, entry), part_bytes(vow, entry)) > 1


# ------------------------------------------------------------------------------------------- boots and clocks


@boots.device("wire.boot", lambda vow: does(vow, "reboot"))
class BootCauseAlwaysPower(Device):
    """The register with the cause of a boot is cleared before it is read: every boot is one of power."""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot("power", now_ns)


@boots.device("wire.boot", lambda vow: does(vow, "reboot") and _has_system(vow, "boots"))
class BootOnRequestUncounted(Device):
    """A boot that is asked for jumps past the place where boots are counted."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.store.boots -= cause == "request"
        super().boot(cause, now_ns)


@boots.device("wire.boot", lambda vow: does(vow, "reboot") and _has_system(vow, "uptime"))
class UptimeKeptOverBoot(Device):
    """The clock of the time since the boot is not zeroed by a boot that is asked for."""

    def reboot(self, now_ns: int) -> None:
        booted_ns = self.booted_ns
        super().reboot(now_ns)
        self.booted_ns = booted_ns


@boots.device(
    "wire.boot promise.clock", lambda vow: _has_system(vow, "uptime") and "clock" in vow.document.promises
)
class UptimeIn16Bits(Device):
    """The time since the boot is kept in 16 bits of milliseconds."""

    def _system(self, entry: PointEntry, now_ns: int) -> Value:
        if entry.system == "uptime":
            return self._elapsed(entry, (now_ns - self.booted_ns) % (0x10000 * 1_000_000))
        return super()._system(entry, now_ns)


@boots.device("promise.clock", lambda vow: _has_system(vow, "uptime") and "clock" in vow.document.promises)
class UptimeInBinaryMilliseconds(Device):
    """A tick of 1.024 ms is taken for a millisecond."""

    def _system(self, entry: PointEntry, now_ns: int) -> Value:
        if entry.system == "uptime":
            return self._elapsed(entry, (now_ns - self.booted_ns) * 1000 // 1024)
        return super()._system(entry, now_ns)


class Crashing(Device):
    """A device half that can boot without a word."""

    crashed = False

    def crash(self, now_ns: int) -> None:
        self.crashed = True
        self.boot("watchdog", now_ns)
        self.crashed = False

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if not self.crashed:
            super().notify(event, words)


@boots.device("wire.boot")
class SilentBootAfterForty(Crashing):
    """Memory is lost with every request; after forty the chip's watchdog boots it, and says nothing."""

    requests = 0

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        self.requests += 1
        if self.requests == 40:
            self.requests = 0
            self.crash(now_ns)


@boots.device("wire.boot wire.length", lambda vow: _has_system(vow, "boots"))
class SilentBootByFullLine(Crashing):
    """The zero behind a line of just the limit overwrites the stack; the box boots silently."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if not isinstance(line, Overlong) and len(line) == self._wire.line_limit:
            self.crash(now_ns)


# -------------------------------------------------------------------------------------------------- the store


@boots.device("point.*.saved action.*.effect", lambda vow: does(vow, "save", "reboot"))
class SaveLosesLast(Device):
    """The loop over the saved settings ends one too early."""

    def _save(self) -> None:
        last = [entry.name for entry in self.vow.settings if entry.saved][-1]
        before = self.store.settings.get(last)
        super()._save()
        del self.store.settings[last]
        if before is not None:
            self.store.settings[last] = before


@boots.device(
    "point.*.saved",
    lambda vow: does(vow, "save", "reboot") and any(e.choices and e.saved for e in vow.settings),
)
class SaveForgetsChoices(Device):
    """Choices are saved as the first word of their list."""

    def _save(self) -> None:
        super()._save()
        for entry in self.vow.settings:
            if entry.saved and entry.choices:
                self.store.settings[entry.name] = entry.choices[0]


def _needs_more_than_16_bits(entry: PointEntry) -> bool:
    return entry.saved and isinstance(entry.default, int) and entry.default > 0xFFFF


@boots.device(
    "point.*.saved",
    lambda vow: does(vow, "save", "reboot") and any(map(_needs_more_than_16_bits, vow.settings)),
)
class SaveIn16Bits(HeldOutputs):
    """A saved number that needs more than 16 bits has 16 in the store."""

    def _save(self) -> None:
        super()._save()
        name = next(filter(_needs_more_than_16_bits, self.vow.settings)).name
        value = self.store.settings[name]
        assert isinstance(value, int)
        self.store.settings[name] = value & 0xFFFF


@boots.device("action.*.effect point.*.saved", lambda vow: does(vow, "save", "reboot"))
class SaveOncePerBoot(Device):
    """Only the first save after a boot is written; the flag that the store is ready is not set again."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.saved = False
        super().boot(cause, now_ns)

    def _save(self) -> None:
        settings = self.store.settings
        super()._save()
        if self.saved:
            self.store.settings = settings
        self.saved = True


@boots.device("action.*.effect point.*.readable", lambda vow: does(vow, "save") and _has_system(vow, "saves"))
class SaveUncounted(Device):
    """Saves are not counted."""

    def _save(self) -> None:
        super()._save()
        self.store.saves -= 1


@boots.device(
    "promise.saves_are_whole", lambda vow: does(vow, "save") and "saves_are_whole" in vow.document.promises
)
class SaveTorn(Device):
    """The store is written setting by setting over 200 ms; a loss of power in between leaves a mixture."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.rest: tuple[int, dict[str, Value]] | None = None
        super().boot(cause, now_ns)

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        before = {**self._defaults(saved_only=True), **self.store.settings}
        super()._effect(effect, what, now_ns)
        if effect == "save":
            whole = self.store.settings
            written = list(whole)[: len(whole) // 2]
            self.store.settings = before | {name: whole[name] for name in written}
            self.rest = (now_ns + NS_PER_S // 5, whole)
            self.world.changed((), now_ns)

    def next_timeout_ns(self) -> int | None:
        timeout_ns = super().next_timeout_ns()
        if self.rest is None:
            return timeout_ns
        return self.rest[0] if timeout_ns is None else min(timeout_ns, self.rest[0])

    def expire(self, now_ns: int) -> None:
        if self.rest is not None and self.rest[0] <= now_ns:
            self.store.settings = self.rest[1]
            self.rest = None
        else:
            super().expire(now_ns)


@boots.device("point.*.saved", lambda vow: does(vow, "save", "reboot"))
class StoreReadAtPowerOnly(Device):
    """The store is read when power comes, not at a boot that is asked for."""

    def reboot(self, now_ns: int) -> None:
        saved, self.store.settings = self.store.settings, {}
        super().reboot(now_ns)
        self.store.settings = saved


@boots.device("point.*.saved", lambda vow: does(vow, "save"))
class StoreLostWithoutPower(Device):
    """What is saved is held in memory that needs power."""

    def boot(self, cause: str, now_ns: int) -> None:
        if cause == "power":
            self.store.settings = {}
        super().boot(cause, now_ns)


@boots.device("point.*.default", lambda vow: does(vow, "reboot"))
class SettingsKeptOverBoot(Device):
    """Settings are in memory that a boot does not clear: what was put and not saved is still there."""

    def reboot(self, now_ns: int) -> None:
        saved = self.store.settings
        self.store.settings = dict(self.settings)
        super().reboot(now_ns)
        self.store.settings = saved


@boots.device("action.*.effect point.*.saved", lambda vow: does(vow, "save", "defaults", "recall"))
class DefaultsEmptyTheStore(Device):
    """Setting the defaults empties the store as well."""

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        super()._effect(effect, what, now_ns)
        if effect == "defaults":
            self.store.settings = {}


@boots.device(
    "action.*.effect", lambda vow: does(vow, "defaults") and not all(entry.saved for entry in vow.settings)
)
class DefaultsForSavedOnly(Device):
    """Setting the defaults skips the settings that are not saved."""

    def _defaults(self, saved_only: bool) -> dict[str, Value]:
        return super()._defaults(saved_only=True)


@boots.device("action.*.effect", lambda vow: does(vow, "defaults"))
class DefaultsAreLowest(Device):
    """Setting the defaults sets every number to the low end of its range."""

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        super()._effect(effect, what, now_ns)
        if effect == "defaults":
            self._replace({e.name: e.number.low for e in self.vow.settings if e.scale is not None}, now_ns)


@boots.device("action.*.effect", lambda vow: does(vow, "recall"))
class RecallSkipsUnsaved(Device):
    """Bringing back the store leaves settings as they are that were never saved."""

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        if effect == "recall":
            self._replace(self.store.settings, now_ns)
        else:
            super()._effect(effect, what, now_ns)


@boots.tables("point.*.default", lambda vow: any(entry.choices for entry in vow.settings))
def default_second_choice(vow: Vow) -> Vow:
    """A choice begins with the second word of its list."""
    entry = [entry for entry in vow.settings if entry.choices][-1]
    other = next(word for word in entry.choices if word != entry.default)
    return with_point(vow, entry.name, default=other)


# --------------------------------------------------------------------------------------------- identity, bulk


@boots.tables("wire.identity")
def identity_of_older_document(vow: Vow) -> Vow:
    """The digest is that of the document before the last change."""
    name, version, digest = vow.identity
    return replace(vow, identity=(name, version, f"{int(digest, 16) ^ 0x5A5A5A5A:08x}"))


@boots.device("wire.bulk point.*.readable", _has_image)
class PartCountedFromOne(Device):
    """Parts are counted from 1."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        if len(arguments) == 1 and arguments[0].isdecimal():
            ok, words = super()._part(entry, (str(int(arguments[0]) - 1),), now_ns)
            return ok, (arguments[0], *words[1:]) if ok else words
        return super()._part(entry, arguments, now_ns)


@boots.device("wire.bulk point.*.readable", _has_image)
class PartPastLastAnswered(Device):
    """The part after the last is answered, with nothing in it."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        size = part_bytes(self.vow, entry)
        if arguments == (str(parts_of(record_of(self.vow, entry), size)),):
            return True, (arguments[0], "00" * size)
        return super()._part(entry, arguments, now_ns)


@boots.device("wire.bulk", _has_image)
class PartInSmallLetters(Device):
    """The bytes of a part are written with small letters."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        ok, words = super()._part(entry, arguments, now_ns)
        return ok, tuple(word.lower() for word in words)


@boots.device("wire.bulk wire.echo_check", _has_image)
class PartWithoutCheck(Device):
    """A part leaves without a check unless the request had one."""

    def _bulk(self, request: object, ok: bool) -> bool:
        return False


@boots.device("wire.bulk", _has_image)
class PartLastFilledUp(Device):
    """The last part is filled up with zeros to the length of the others."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        ok, words = super()._part(entry, arguments, now_ns)
        size = part_bytes(self.vow, entry)
        return ok, (words[0], words[1].ljust(2 * size, "0")) if ok else words


@boots.device("record.*.layout wire.bulk", _has_image)
class RecordFromBoot(Device):
    """The image of the settings is made at the boot and not refreshed."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.first: dict[tuple[str, tuple[str, ...]], Answer] = {}
        super().boot(cause, now_ns)
        entry = _image(self.vow)
        assert entry is not None
        for index in range(parts_of(record_of(self.vow, entry), part_bytes(self.vow, entry))):
            self.first[entry.name, (str(index),)] = super()._part(entry, (str(index),), now_ns)

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        return self.first.get((entry.name, arguments)) or super()._part(entry, arguments, now_ns)


def _with_image(vow: Vow, record: Record) -> Vow:
    entry = _image(vow)
    assert entry is not None
    assert entry.record is not None
    return with_document(vow, records={**vow.document.records, entry.record: record})


def _image_record(vow: Vow) -> Record:
    entry = _image(vow)
    assert entry is not None
    return record_of(vow, entry)


@boots.tables("record.*.layout wire.bulk", _has_image)
def record_wrong_end_first(vow: Vow) -> Vow:
    """Numbers of a record are sent with the other end first."""
    record = _image_record(vow)
    other = "big" if record.order == "little" else "little"
    return _with_image(vow, record.model_copy(update={"order": other}))


@boots.device(
    "action.*.effect record.*.layout", lambda vow: does(vow, "capture") and _has_system(vow, "captures")
)
class CaptureUncounted(Device):
    """A finished capture is kept but not counted."""

    def captured(self, record: str, series: Mapping[str, Sequence[int]], now_ns: int) -> None:
        super().captured(record, series, now_ns)
        self.captures = 0


@boots.device("record.*.layout wire.bulk", lambda vow: does(vow, "capture"))
class CaptureOneBehind(Device):
    """The parts are those of the capture before the last: two buffers are exchanged too late."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.newest: dict[str, bytes] = {}
        super().boot(cause, now_ns)

    def captured(self, record: str, series: Mapping[str, Sequence[int]], now_ns: int) -> None:
        before = dict(self.newest)
        super().captured(record, series, now_ns)
        self.newest, self._records = self._records, before


# ----------------------------------------------------------------------------------------------- second round


@boots.device("wire.boot point.*.readable promise.clock", lambda vow: _has_system(vow, "uptime"))
class UptimeRounded(Device):
    """The time since the boot is rounded to the nearest second, not counted in whole ones."""

    def _elapsed(self, entry: PointEntry, ns: int) -> int:
        half_ns = int(entry.number.step * NS_PER_S) // 2 if entry.system == "uptime" else 0
        return super()._elapsed(entry, ns + half_ns)


@boots.device("wire.boot point.*.readable", lambda vow: does(vow, "reboot"))
class BootCauseOneBehind(Device):
    """The cause that can be asked for is that of the boot before."""

    earlier = "power"

    def boot(self, cause: str, now_ns: int) -> None:
        earlier = self.earlier
        self.earlier = cause
        super().boot(cause, now_ns)
        self.boot_cause = earlier


@boots.device(
    "point.*.saved action.*.effect",
    lambda vow: does(vow, "save", "reboot") and sum(entry.saved for entry in vow.settings) > 1,
)
class SaveKeepsLastPutOnly(Device):
    """A save writes the setting that was put last, and trusts that the others are there already."""

    last = ""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        self.last = entry.name

    def _save(self) -> None:
        before = self.store.settings or self._defaults(saved_only=True)
        super()._save()
        self.store.settings = {
            name: value if name == self.last else before.get(name, value)
            for name, value in self.store.settings.items()
        }


def _locked_away(vow: Vow) -> list[str]:
    """Saved settings that can be put in states other than the first only."""
    return [
        entry.name
        for entry in vow.settings
        if entry.saved and entry.set_in is not None and vow.initial not in entry.set_in
    ]


@boots.device(
    "point.*.saved action.*.effect", lambda vow: does(vow, "save", "reboot") and bool(_locked_away(vow))
)
class SaveLeavesTrimsOut(Device):
    """Settings of a state of their own have a store of their own, and the save forgets it."""

    def _save(self) -> None:
        super()._save()
        for name in _locked_away(self.vow):
            self.store.settings[name] = self.vow.points[name].default


@boots.device(
    "action.*.effect wire.notice.off", lambda vow: does(vow, "defaults") and _has_system(vow, "notices")
)
class DefaultsTurnNoticesOn(Device):
    """Setting the defaults also sets the switches of the session."""

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        if effect == "defaults":
            self.notices = True
        super()._effect(effect, what, now_ns)


@boots.device("action.*.effect", lambda vow: does(vow, "save", "recall"))
class RecallWhatWasBooted(Device):
    """What is brought back is what was in the store at the boot, not what was saved since."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.booted = dict(self.store.settings)
        super().boot(cause, now_ns)

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        kept = self.store.settings
        if effect == "recall":
            self.store.settings = self.booted
        super()._effect(effect, what, now_ns)
        if effect == "recall":
            self.store.settings = kept


@boots.device("action.*.effect point.*.readable", lambda vow: does(vow, "save") and _has_system(vow, "saves"))
class WearCountsSettings(Device):
    """The count of saves goes up by one for every setting that is written."""

    def _save(self) -> None:
        super()._save()
        self.store.saves += len(self.store.settings) - 1


@boots.device(
    "wire.boot point.*.readable", lambda vow: does(vow, "reboot", "capture") and _has_system(vow, "captures")
)
class CapturesKeptOverBoot(Device):
    """The count of captures is not zeroed by a boot that is asked for."""

    def boot(self, cause: str, now_ns: int) -> None:
        captures = self.captures if cause == "request" else 0
        super().boot(cause, now_ns)
        self.captures = captures


@boots.device("wire.boot")
class ResetIsPower(Device):
    """A pull of the reset pin is told as a boot by power: the flag is that of the chip's own reset."""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot("power" if cause == "reset" else cause, now_ns)


@boots.device(
    "record.*.layout wire.bulk point.*.readable",
    lambda vow: any(field.type in ("u32", "i32") for field in _fields(vow)),
)
class RecordHalvesSwapped(Device):
    """Numbers of 32 bits are sent with their halves exchanged."""

    def _image(self, name: str, series: Mapping[str, Sequence[int]], now_ns: int) -> bytes:
        data = super()._image(name, series, now_ns)
        if any(each.count > 1 for each in self.vow.document.records[name].fields):
            return data
        found, place = bytearray(data), 0
        for each in self.vow.document.records[name].fields:
            size = int(each.type[1:]) // 8
            if size == 4:
                found[place : place + 4] = found[place + 2 : place + 4] + found[place : place + 2]
            place += size
        return bytes(found)


@boots.device("record.*.layout wire.bulk point.*.readable", _has_image)
class RecordLastByteMissing(Device):
    """The copy of a record ends one byte too early, and the last one is zero."""

    def _image(self, name: str, series: Mapping[str, Sequence[int]], now_ns: int) -> bytes:
        return super()._image(name, series, now_ns)[:-1] + b"\0"


@boots.device("record.*.layout wire.bulk point.*.readable", _has_two_parts)
class PartsShiftedAfterFirst(Device):
    """Every part but the first begins one byte too early."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        ok, words = super()._part(entry, arguments, now_ns)
        if not ok or words[0] == "0" or entry != _image(self.vow):
            return ok, words
        assert entry.record is not None
        start = int(words[0]) * part_bytes(self.vow, entry) - 1
        data = self._image(entry.record, {}, now_ns)[start : start + len(words[1]) // 2]
        return True, (words[0], data.hex().upper())


# ------------------------------------------------------------------------------------------------ third round


@boots.device("wire.boot point.*.readable", lambda vow: does(vow, "reboot") and _has_system(vow, "boots"))
class BootsInTwoBits(Device):
    """The count of boots has two bits left in the word it shares."""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self.store.boots &= 3


def _saved_below_zero(vow: Vow) -> bool:
    return any(entry.saved for entry in below_zero(vow))


@boots.device("point.*.saved", lambda vow: does(vow, "save", "reboot") and _saved_below_zero(vow))
class SaveLosesSign(Device):
    """Numbers are saved without their sign."""

    def _save(self) -> None:
        super()._save()
        for name, value in self.store.settings.items():
            if isinstance(value, int):
                self.store.settings[name] = abs(value)


@boots.device("wire.boot wire.notice.off", lambda vow: _has_system(vow, "notices"))
class NoticesOffKeptOverReset(Device):
    """The reset pin leaves the switch for notices where it was."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event == "boot" and words == ("reset",) and self.off:
            self.notices = False
        super().notify(event, words)

    off = False

    def boot(self, cause: str, now_ns: int) -> None:
        self.off = not self.notices
        super().boot(cause, now_ns)


@boots.device(
    "point.*.readable action.*.effect wire.boot", lambda vow: does(vow, "save") and _has_system(vow, "saves")
)
class WearLostWithoutPower(Device):
    """The count of saves is in memory that needs power."""

    def boot(self, cause: str, now_ns: int) -> None:
        if cause == "power":
            self.store.saves = 0
        super().boot(cause, now_ns)


@boots.device("record.*.layout wire.bulk point.*.readable", _has_choice)
class RecordWithoutChoices(Device):
    """The image of the settings has the first word of every choice."""

    def _image(self, name: str, series: Mapping[str, Sequence[int]], now_ns: int) -> bytes:
        settings = self.settings
        self.settings = {
            each: value if isinstance(value, int) else self.vow.points[each].choices[0]
            for each, value in settings.items()
        }
        data = super()._image(name, series, now_ns)
        self.settings = settings
        return data


@boots.device(
    "action.*.effect point.*.readable record.*.layout",
    lambda vow: does(vow, "capture") and _has_system(vow, "captures"),
)
class CaptureCountedWhenBegun(Device):
    """A capture is counted when it begins."""

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        super()._effect(effect, what, now_ns)
        if effect == "capture":
            self.captures += 1

    def captured(self, record: str, series: Mapping[str, Sequence[int]], now_ns: int) -> None:
        self.captures -= 1
        super().captured(record, series, now_ns)


@boots.device(
    "action.*.effect point.*.default",
    lambda vow: does(vow, "defaults") and vow.settings[-1].set_in is not None,
)
class DefaultsMissLast(Device):
    """Setting the defaults ends one setting too early."""

    def _defaults(self, saved_only: bool) -> dict[str, Value]:
        found = super()._defaults(saved_only)
        if not saved_only:
            found.pop(self.vow.settings[-1].name)
        return found


@boots.device("action.*.effect", lambda vow: does(vow, "save", "recall") and has_dependent_limit(vow))
class RecallHeldInPresentLimits(Device):
    """What is brought back is held inside the limits there were before."""

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        held = dict(settings)
        for name, value in settings.items():
            entry = self.vow.points[name]
            if isinstance(value, int) and entry.high is not None and entry.high.names:
                held[name] = min(value, self.bounds(entry, now_ns)[1])
        super()._replace(held, now_ns)


# ----------------------------------------------------------------------------------------------- fourth round


@boots.device("action.*.effect point.*.default", lambda vow: does(vow, "save", "defaults"))
class DefaultsAreWhatWasSaved(Device):
    """Setting the defaults brings back the store, which holds somebody's own defaults."""

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        super()._effect(effect, what, now_ns)
        if effect == "defaults":
            self._replace(self.store.settings, now_ns)


@boots.device(
    "action.*.effect wire.atomic point.*.readable",
    lambda vow: does(vow, "save") and not all(entry.saved for entry in vow.settings),
)
class SaveResetsUnsaved(Device):
    """After a save the settings are read back from the store, and those that are not in it are lost."""

    def _save(self) -> None:
        super()._save()
        for entry in self.vow.settings:
            if not entry.saved:
                self.settings[entry.name] = entry.default


@boots.device("wire.guard action.*.effect", lambda vow: does(vow, "recall"))
class RecallTurnsGuardOff(Device):
    """Bringing back the store begins the session anew, without the guard."""

    recalled = False

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        super()._effect(effect, what, now_ns)
        self.recalled = self.recalled or effect == "recall"

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if self.recalled:
            self.recalled = False
            self._set_guard(False)


# ------------------------------------------------------------------------------------------------ fifth round


@boots.framer("wire.boot wire.resync wire.syntax")
class BegunLineKeptOverBoot(Framer):
    """A boot does not empty the line buffer: a line begun before it goes on after it."""

    def reset(self) -> None:
        pass


@boots.device("wire.boot", lambda vow: does(vow, "reboot"))
class RebootByWatchdog(Device):
    """A boot that is asked for is done by letting the watchdog bite, and tells so."""

    def reboot(self, now_ns: int) -> None:
        self.boot("watchdog", now_ns)


@boots.device("wire.boot", lambda vow: _has_system(vow, "boots"))
class BootTwiceAtPower(Device):
    """When power comes back it bounces: the box boots, and boots again before it has said anything."""

    def boot(self, cause: str, now_ns: int) -> None:
        if cause == "power" and self.store.boots:
            self.store.boots += 1
        super().boot(cause, now_ns)


def _saves_beside(vow: Vow) -> bool:
    """The settings can be saved in the state of settings that are locked away."""
    saving = [action for action in vow.actions.values() if ("save", "") in action.does]
    return bool(_locked_away(vow)) and any(set(action.to) - {vow.initial} for action in saving)


@boots.device("point.*.saved action.*.effect", lambda vow: does(vow, "save", "reboot") and _saves_beside(vow))
class SaveBesideWritesTrimsOnly(Device):
    """Saved in the state of settings that are locked away, these are written and the others are not."""

    def _save(self) -> None:
        before = {**self._defaults(saved_only=True), **self.store.settings}
        super()._save()
        if self.state != self.vow.initial:
            own = _locked_away(self.vow)
            self.store.settings = before | {name: self.store.settings[name] for name in own}


@boots.device("action.*.effect", lambda vow: does(vow, "recall") and bool(_locked_away(vow)))
class RecallLeavesTrims(Device):
    """Bringing back the store leaves out the settings that are locked away in a state of their own."""

    recalling = False

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        self.recalling = effect == "recall"
        super()._effect(effect, what, now_ns)

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        own = _locked_away(self.vow) if self.recalling else []
        super()._replace({name: value for name, value in settings.items() if name not in own}, now_ns)


@boots.device("record.*.layout wire.bulk", lambda vow: does(vow, "capture") and _has_system(vow, "captures"))
class CaptureSerialOneBehind(Device):
    """A capture's record is put together before the capture is counted: its serial is that of the one
    before."""

    def captured(self, record: str, series: Mapping[str, Sequence[int]], now_ns: int) -> None:
        image = self._image(record, series, now_ns)
        super().captured(record, series, now_ns)
        self._records[record] = image


@boots.device("record.*.layout wire.bulk", lambda vow: does(vow, "capture"))
class CaptureLayoutBeforeFirst(Device):
    """The constant fields of a record are written at the boot, before there is a capture."""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        for name, record in self.vow.document.records.items():
            if any(each.count > 1 for each in record.fields):
                blank: dict[str, int | Sequence[int]] = {
                    each.name: [0] * each.count
                    if each.count > 1
                    else (each.value if isinstance(each.value, int) else 0)
                    for each in record.fields
                }
                self._records[name] = build(record, blank)


def _has_wide_series(vow: Vow) -> bool:
    fields = (each for record in vow.document.records.values() for each in record.fields)
    return any(each.count > 1 and each.type == "i32" for each in fields)


@boots.device("record.*.layout wire.bulk", lambda vow: does(vow, "capture") and _has_wide_series(vow))
class CaptureSeriesIn16Bits(Device):
    """The samples of a capture are kept in 16 bits, also those that leave in 32."""

    def captured(self, record: str, series: Mapping[str, Sequence[int]], now_ns: int) -> None:
        kept = {
            name: [(value + 0x8000) % 0x10000 - 0x8000 for value in each] for name, each in series.items()
        }
        super().captured(record, kept, now_ns)


# ------------------------------------------------------------------------------------------------ sixth round


def _all_ones(entry: PointEntry) -> bool:
    """A saved setting that may be 16 ones, which is what an erased cell of the store holds."""
    return entry.saved and entry.scale is not None and entry.scale.high == 0xFFFF


@boots.device(
    "point.*.saved",
    lambda vow: does(vow, "save", "recall") and any(_all_ones(entry) for entry in vow.settings),
)
class ErasedCellTakenForUnset(Device):
    """A saved number of 16 ones is taken for a cell never written, and the default is put in its place."""

    def _save(self) -> None:
        super()._save()
        for entry in self.vow.settings:
            if _all_ones(entry) and self.store.settings[entry.name] == 0xFFFF:
                del self.store.settings[entry.name]


@boots.instrument(
    "promise.clock wire.boot", lambda vow: _has_system(vow, "uptime") and "clock" in vow.document.promises
)
class ClockStopsInAStall(Instrument):
    """The transmitter is waited for with interrupts off: meanwhile the time since the boot stands still."""

    stuck_ns: int | None = None

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        super().bench(event, value, now_ns)
        if self.device.blocked:
            self.stuck_ns = now_ns if self.stuck_ns is None else self.stuck_ns
        elif self.stuck_ns is not None:
            self.device.booted_ns += now_ns - max(self.stuck_ns, self.device.booted_ns)
            self.stuck_ns = None


@boots.device("record.*.layout wire.bulk action.*.effect", lambda vow: does(vow, "capture"))
class CaptureLostWithTheState(Device):
    """What was captured lies in memory that is used for something else when the state changes."""

    def enter(self, state: str, now_ns: int) -> None:
        if state != self.state:
            self._records.clear()
        super().enter(state, now_ns)


def _corrections(vow: Vow) -> list[PointEntry]:
    """Saved settings that the plant follows and that can be put in a state of their own only."""
    return [
        entry
        for entry in vow.settings
        if entry.saved and entry.drives and entry.set_in is not None and vow.initial not in entry.set_in
    ]


@boots.device("point.*.saved law.*", lambda vow: does(vow, "save", "reboot") and bool(_corrections(vow)))
class TrimsUnheededAfterBoot(Device):
    """Settings that are locked away are read from the store at a boot and shown; they correct nothing."""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        changes: dict[str, float | str] = {}
        for entry in _corrections(self.vow):
            if entry.drives is not None:
                changes[entry.drives] = (
                    entry.default * entry.si if isinstance(entry.default, int) else entry.default
                )
        self.world.control(changes, now_ns)


# ---------------------------------------------------------------------------------------------- seventh round


@boots.instrument("wire.boot wire.order wire.deadline", lambda vow: _has_system(vow, "boots"))
class SilentBootInAStall(Instrument):
    """While the transmitter is waited for nobody feeds the chip's watchdog: after two seconds it bites."""

    stuck_ns = 0

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        device, stuck = self.device, self.device.blocked
        super().bench(event, value, now_ns)
        if device.blocked and not stuck:
            self.stuck_ns = now_ns
        waits = bool(device.output or device.waiting)
        if stuck and not device.blocked and waits and now_ns - self.stuck_ns > 2 * NS_PER_S:
            self._restart("watchdog", now_ns)
            device.output.clear()


@boots.device(
    "wire.boot wire.bulk wire.deadline point.*.readable",
    lambda vow: any(entry.record is not None for entry in vow.points.values()),
)
class SilentBootByFarIndex(Crashing):
    """An index of more than one byte is looked up before it is tested, far outside memory: the chip boots."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        parsed = self._parse(line) if isinstance(line, bytes) else None
        if isinstance(parsed, Request) and parsed.verb == "ask" and len(parsed.arguments) == 1:
            entry, index = self.vow.points.get(parsed.name), parse_integer(parsed.arguments[0])
            if entry is not None and entry.record is not None and index is not None and index > 0xFF:
                self.crash(now_ns)
                return
        super().line(line, now_ns)


_PAGE = 32


def _across_pages(vow: Vow) -> list[str]:
    """The saved settings of which a part lies in one page of the store and the rest in the next."""
    found, place = [], 0
    for entry in vow.settings:
        if entry.saved:
            scale = entry.scale
            size = 1 if scale is None else 2 if scale.low >= 0 and scale.high <= 0xFFFF else 4
            if place // _PAGE != (place + size - 1) // _PAGE:
                found.append(entry.name)
            place += size
    return found


@boots.device(
    "point.*.saved action.*.effect", lambda vow: does(vow, "save", "recall") and bool(_across_pages(vow))
)
class SaveAcrossPageLost(Device):
    """The store is written in pages of 32 bytes, and a number that lies across the end of one is not
    written."""

    def _save(self) -> None:
        before = self.store.settings
        super()._save()
        for name in _across_pages(self.vow):
            del self.store.settings[name]
            if name in before:
                self.store.settings[name] = before[name]


@boots.device(
    "point.*.saved action.*.effect",
    lambda vow: does(vow, "save", "recall") and any(entry.saved for entry in vow.settings),
)
class SaveSparesDefaults(Device):
    """A setting at its default is not written, to spare the store: what was saved there before comes back."""

    def _save(self) -> None:
        before = self.store.settings
        super()._save()
        for entry in self.vow.settings:
            if entry.saved and self.settings[entry.name] == entry.default and entry.name in before:
                self.store.settings[entry.name] = before[entry.name]


# ---------------------------------------------------------------------------------------------- eighth round


_TICK_NS = 20_000_000


@boots.device("wire.boot promise.clock", lambda vow: _has_system(vow, "uptime"))
class UptimeMissesATickForEachLine(Device):
    """While a line is worked on a tick of 20 ms is missed, and the time since the boot falls behind."""

    missed = 0

    def boot(self, cause: str, now_ns: int) -> None:
        self.missed = 0
        super().boot(cause, now_ns)

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        self.missed += 1

    def _system(self, entry: PointEntry, now_ns: int) -> Value:
        if entry.system == "uptime":
            return self._elapsed(entry, max(now_ns - self.booted_ns - self.missed * _TICK_NS, 0))
        return super()._system(entry, now_ns)


_BITES_NS = 60 * NS_PER_S


def _locking(vow: Vow) -> set[str]:
    """States at rest that settings have for their own."""
    return {
        state
        for entry in vow.settings
        if entry.set_in is not None and vow.initial not in entry.set_in
        for state in entry.set_in
        if not vow.states[state].energised
    }


@boots.device("wire.boot state.*.leave.*", lambda vow: bool(_locking(vow)) and _has_system(vow, "boots"))
class SilentBootBeside(Crashing):
    """The state in which settings are unlocked has a loop of its own, which never feeds the chip's
    watchdog."""

    def next_timeout_ns(self) -> int | None:
        timeout_ns = super().next_timeout_ns()
        if self.state not in _locking(self.vow):
            return timeout_ns
        bites_ns = self.entered_ns + _BITES_NS
        return bites_ns if timeout_ns is None else min(timeout_ns, bites_ns)

    def expire(self, now_ns: int) -> None:
        if self.state in _locking(self.vow) and now_ns >= self.entered_ns + _BITES_NS:
            self.crash(now_ns)
        else:
            super().expire(now_ns)


def _bounded_by_later(vow: Vow) -> bool:
    """Whether a saved setting has a limit that hangs on one that is saved behind it."""
    saved = [entry for entry in vow.settings if entry.saved]
    return any(
        limit is not None and limit.names & {later.name for later in saved[place + 1 :]}
        for place, entry in enumerate(saved)
        for limit in (entry.low, entry.high)
    )


@boots.device("point.*.saved wire.boot", lambda vow: does(vow, "save", "reboot") and _bounded_by_later(vow))
class BootHoldsInLimitsSoFar(Device):
    """At a boot each saved setting is held inside the limits that those read before it and the defaults
    give."""

    def boot(self, cause: str, now_ns: int) -> None:
        stored = self.store.settings
        self.settings = {entry.name: entry.default for entry in self.vow.settings}
        for entry in self.vow.settings:
            value = stored.get(entry.name, entry.default)
            if isinstance(value, int):
                low, high = self.bounds(entry, now_ns)
                value = min(max(value, low), high)
            self.settings[entry.name] = value
        self.store.settings = {name: self.settings[name] for name in stored}
        super().boot(cause, now_ns)
        self.store.settings = stored


@boots.device(
    "point.*.saved action.*.effect",
    lambda vow: does(vow, "save") and "local" in vow.parts and any(e.saved and e.local for e in vow.settings),
)
class SaveLeavesOutThePanel(Device):
    """A save writes what requests have changed; a setting that was dialled at the front panel is not
    marked."""

    dialled: frozenset[str] = frozenset()

    def boot(self, cause: str, now_ns: int) -> None:
        self.dialled = frozenset()
        super().boot(cause, now_ns)

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        self.dialled |= {name}

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok:
            self.dialled -= {request.name}
        return ok, words

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        super()._replace(settings, now_ns)
        self.dialled -= settings.keys()

    def _save(self) -> None:
        before = self.store.settings
        super()._save()
        for name in self.dialled & self.store.settings.keys():
            self.store.settings[name] = before.get(name, self.vow.points[name].default)
