"""Records: fields that hold what they carry, and captures that fill them."""

from __future__ import annotations

from wirevow.protocol.document.model import Capture, RecordField
from wirevow.protocol.document.vet.survey import Survey, Where
from wirevow.protocol.record import field_range


def check(survey: Survey) -> None:
    """Every rule about records."""
    document = survey.document
    answered = {point.record for point in document.points.values()}
    captured = {
        effect.capture: (name, index)
        for name, action in document.actions.items()
        for index, effect in enumerate(action.does)
        if isinstance(effect, Capture)
    }
    for name, record in document.records.items():
        where = ("records", name)
        seen: set[str] = set()
        for index, field in enumerate(record.fields):
            if field.name in seen:
                survey.report(
                    "field-twice",
                    (*where, "fields", index),
                    f"{name} has a field {field.name} already",
                    "rename one of them",
                )
            seen.add(field.name)
            _field(survey, (*where, "fields", index), field)
        if name not in answered:
            survey.report(
                "record-unused", where, f"no point answers the record {name}", "add one, or remove it"
            )
        series = any(field.count > 1 for field in record.fields)
        if series and name not in captured:
            survey.report(
                "capture-none",
                where,
                f"no action captures the series of {name}",
                "add does: [{capture: ...}]",
            )
        elif not series and name in captured:
            action, effect = captured[name]
            survey.report(
                "capture-none",
                ("actions", action, "does", effect),
                f"{name} has no series to capture",
                "give one of its fields a count, or remove the effect",
            )


def _field(survey: Survey, where: Where, field: RecordField) -> None:
    if isinstance(field.value, int):
        low = high = field.value
    elif field.value in survey.scales:
        scale = survey.scales[field.value]
        low, high = scale.low, scale.high
    else:
        low, high = 0, len(survey.choices(field.value)) - 1
    least, most = field_range(field.type)
    if low < least or high > most:
        survey.report(
            "field-small",
            (*where, "type"),
            f"{field.type} holds {least} to {most}, {field.name} needs {low} to {high}",
            f"write {_type(low, high)}",
        )
    series = field.count > 1
    if series != (field.every is not None):
        survey.report(
            "field-series",
            (*where, "count" if series else "every"),
            f"{field.name} has a {'series without period' if series else 'period without series'}",
            "write count: and every: together",
        )
    point = survey.document.points.get(str(field.value))
    if series and (isinstance(field.value, int) or (point is not None and point.signal is None)):
        survey.report(
            "field-series",
            (*where, "from"),
            f"{field.name} is a series, and {field.value} is not sampled",
            "take it from a point that has a signal",
        )


def _type(low: int, high: int) -> str:
    for kind in ("u8", "i8", "u16", "i16", "u32", "i32"):
        least, most = field_range(kind)
        if least <= low and high <= most:
            return kind
    return "a quantity with a smaller range"
