"""The canonical form of a document, and the two digests made of it.

Two texts have the same form when they mean the same: comments, layout, key order, quotes, `2.5` or
`2.500`, `1 s` or `1000 ms`, spaces and needless parentheses in formulas, and a default that is written out
or left out make no difference. The form is JSON (RFC 8259) with sorted keys and no spaces, encoded as
UTF-8; its numbers are exact decimals in text, its durations whole nanoseconds.

Lists keep their order, for it can mean something: the index of a choice is what a record carries, the first
leave that applies is taken. So do the few mappings in `IN_ORDER`. All other mappings are sorted.

Fields at their default are left out, so that a model that learns a new field leaves the digests of the
documents that do not use it as they were.
"""

from __future__ import annotations

import hashlib
import json
from decimal import Decimal
from typing import Any

from pydantic import BaseModel

from wirevow.protocol.document.model import OFF_THE_WIRE, Document
from wirevow.protocol.expression import Expression, write

IN_ORDER: dict[str, tuple[str, ...]] = {
    "Document": ("trips",),  # of two conditions that come true together, the first is reported
    "Provoke": ("put", "bench", "relief"),  # done one after another, and a limit may depend on the one before
    "Trial": ("put",),
}
"""Mappings whose order counts, by model class; in the form they are lists of [key, value]."""


def canonical(document: Document, wire_only: bool = False) -> bytes:
    """The canonical form; with `wire_only`, without what `OFF_THE_WIRE` lists (prose, physics, testing)."""
    form = _form(document, OFF_THE_WIRE if wire_only else {})
    return json.dumps(form, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def document_digest(document: Document) -> str:
    """SHA-256 of the whole canonical form, 64 hex digits: any change of meaning changes it."""
    return hashlib.sha256(canonical(document)).hexdigest()


def wire_digest(document: Document) -> str:
    """SHA-256 of the wire part, 64 hex digits; `self.vow` answers the first eight."""
    return hashlib.sha256(canonical(document, wire_only=True)).hexdigest()


def _form(value: Any, left_out: dict[str, tuple[str, ...]]) -> Any:
    if isinstance(value, BaseModel):
        return _section(value, left_out)
    if isinstance(value, dict):
        return {key: _form(inner, left_out) for key, inner in value.items()}
    if isinstance(value, list):
        return [_form(inner, left_out) for inner in value]
    if isinstance(value, Decimal):
        return format(value.normalize(), "f") if value else "0"
    if isinstance(value, Expression):
        return write(value.root)
    return value


def _section(section: BaseModel, left_out: dict[str, tuple[str, ...]]) -> dict[str, Any]:
    kind = type(section).__name__
    dropped = left_out.get(kind, ()) + left_out.get("*", ())
    form: dict[str, Any] = {}
    for name, field in type(section).model_fields.items():
        value = getattr(section, name)
        if name in dropped or (not field.is_required() and value == field.get_default()):
            continue
        inner = _form(value, left_out)
        form[field.alias or name] = list(inner.items()) if name in IN_ORDER.get(kind, ()) else inner
    for name, value in (section.model_extra or {}).items():
        form[name] = _form(value, left_out)
    return form
