"""Purposes about records: their layout, fields and series."""

from __future__ import annotations

from contextlib import suppress

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.actions import do
from wirevow.protocol.conformance.purposes.images import ask_parts, images
from wirevow.protocol.conformance.purposes.laws import plausible
from wirevow.protocol.conformance.purposes.looking import (
    target_state,
)
from wirevow.protocol.conformance.purposes.points import other_value
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.model import Record, RecordField
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Reply
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.record import FIELD_BYTES, layout, record_bytes
from wirevow.protocol.vow import ActionEntry, PointEntry, part_bytes, part_count


@purpose("record", "layout", 2)
def record_layout(t: Tester, r: Requirement) -> None:
    record = t.vow.document.records[r.element]
    entry = answered_by(t, r.element)
    if entry is None:
        raise NotSelected("no point answers its parts")
    has_series = any(field.count > 1 for field in record.fields)
    if has_series:
        action = filled_by(t, r.element)
        if action is None:
            raise NotSelected("no action fills it")
        t.prepare()
        t.goto(target_state(t, action))
        before_series(t, record)
        do(t, action)
    else:
        # What it shows are the settings in force, not those of some moment before.
        record_fields(t, entry.name, record)
        for field in record.fields:
            point = t.vow.points.get(str(field.value))
            if point is not None and point.source == "setting" and t.settable_here(point):
                with suppress(NotSelected):
                    t.put(point.name, other_value(t, point))
    parsed = record_fields(t, entry.name, record)
    for field in record.fields:
        if isinstance(field.value, int):
            _same(t, r, field.name, parsed[field.name], field.value)
        elif field.count == 1:
            point = t.vow.points[field.value]
            value = t.oracle.twin.value(point, t.now_ns) if point.source != "signal" else None
            if value is not None:
                _same(
                    t,
                    r,
                    field.name,
                    parsed[field.name],
                    value if isinstance(value, int) else point.choices.index(value),
                )
        else:
            point = t.vow.points[field.value]
            if point.source == "signal":
                plausible(t, r, field.name, parsed[field.name], point.name)
    if entry in images(t):
        _tell_apart(t, entry, record)


def _tell_apart(t: Tester, entry: PointEntry, record: Record) -> None:
    """Words of several settings are numbered alike: no two of them have the same number in every look."""
    points = [t.vow.points[str(field.value)] for field in record.fields if not isinstance(field.value, int)]
    words = [point for point in points if point.scale is None and t.settable_here(point)]
    for look in range((len(words) - 1).bit_length() if words else 0):
        for index, point in enumerate(words):
            word = point.choices[index >> look & 1]
            if t.setting(point.name) != word and t.allows(point, word):
                t.put(point.name, word)
        ask_parts(t, entry)


def filled_by(t: Tester, record: str) -> ActionEntry | None:
    """The action that captures a record, if one does."""
    return t.vow.doing("capture", record)


def answered_by(t: Tester, record: str) -> PointEntry | None:
    """The point that answers the parts of a record, if one does."""
    return next((each for each in t.vow.points.values() if each.record == record), None)


def record_fields(t: Tester, name: str, record: Record) -> dict[str, int | list[int]]:
    """Ask all parts of a record and take it apart."""
    data = b""
    for index in range(part_count(t.vow, t.vow.points[name])):
        reply: Reply = t.say(f"ask {name} {index}")
        data += bytes.fromhex(reply.words[1])
    parsed = layout(record).parse(data)
    return {field.name: parsed[field.name] for field in record.fields}


def record_series(t: Tester, name: str, record: Record, field: RecordField) -> list[int]:
    """Ask the parts in which one series lies, and take it out of them."""
    size, data = part_bytes(t.vow, t.vow.points[name]), bytearray(record_bytes(record))
    before = record.fields[: record.fields.index(field)]
    begins = sum(FIELD_BYTES[each.type] * each.count for each in before)
    ends = begins + FIELD_BYTES[field.type] * field.count
    for index in range(begins // size, -(-ends // size)):
        part = bytes.fromhex(t.say(f"ask {name} {index}").words[1])
        data[index * size : index * size + len(part)] = part
    return list(layout(record).parse(bytes(data))[field.name])


def _same(t: Tester, r: Requirement, field: str, seen: object, due: object) -> None:
    if seen != due:
        raise Broken(Judgement(False, r.id, f"field {field} is {due}"), "", f"{seen}")
    t.keep(r.id)


def before_series(t: Tester, record: Record) -> None:
    """Wait until the readings show what a series will be taken of: the bench may just have been turned."""
    periods = [t.vow.points[str(each.value)].period_ns for each in record.fields if each.count > 1]
    t.alive(max(t.vow.document.trial.settle, *periods))
