"""Binary layouts declared in a document, built and parsed with the library `construct`.

The same declaration emits the C struct. Fields follow one another without padding; numbers are step counts,
choices are their index in the document's list (`wire.bulk`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from wirevow.protocol.document.model import Record, RecordField

FIELD_BYTES = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "i32": 4}
"""Size of each field type."""


def field_range(kind: str) -> tuple[int, int]:
    """Least and greatest integer of a field type."""
    bits = 8 * FIELD_BYTES[kind]
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if kind[0] == "i" else (0, (1 << bits) - 1)


def record_bytes(record: Record) -> int:
    """Size of the whole record."""
    return sum(FIELD_BYTES[field.type] * field.count for field in record.fields)


def span_ns(record: Record) -> int:
    """How long its longest series takes; 0 if it has none."""
    return max(field.count * (field.every or 0) for field in record.fields)


def parts_of(record: Record, part_bytes: int) -> int:
    """How many parts of `part_bytes` carry the record; the last may be shorter."""
    return -(-record_bytes(record) // part_bytes)


def layout(record: Record) -> Any:
    """The `construct` declaration of a record."""
    import construct

    end = "l" if record.order == "little" else "b"

    def one(field: RecordField) -> Any:
        sign = "s" if field.type[0] == "i" else "u"
        # construct's names: Int16ul is an unsigned 16-bit integer, little end first; bytes have no end.
        bits = 8 * FIELD_BYTES[field.type]
        number = getattr(construct, f"Int{bits}{sign}{'b' if bits == 8 else end}")
        return number if field.count == 1 else construct.Array(field.count, number)

    return construct.Struct(*[field.name / one(field) for field in record.fields])


def build(record: Record, values: Mapping[str, int | Sequence[int]]) -> bytes:
    """The bytes of a record; a value that its field cannot hold is held at the field's end."""
    held: dict[str, Any] = {}
    for field in record.fields:
        low, high = field_range(field.type)
        value = values[field.name]
        held[field.name] = (
            min(max(value, low), high)
            if isinstance(value, int)
            else [min(max(each, low), high) for each in value]
        )
    return bytes(layout(record).build(held))


def parse(record: Record, data: bytes) -> dict[str, Any]:
    """The values of a record's bytes, by field name. `construct.ConstructError` when they are too few."""
    parsed = layout(record).parse(data)
    return {field.name: parsed[field.name] for field in record.fields}
