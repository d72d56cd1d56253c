"""The entries of a document as plain data, each with the model's key and annotation that it stands at.

    >>> data = load_document("spec/brae.yaml").source.data
    >>> [site.path for site in sites(data)][:2]
    [('vow',), ('vow', 'name')]

A walk goes by the model's annotations alone, so a new key has its sites from its first day.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel

from wirevow.protocol.document.load import NodePath
from wirevow.protocol.document.model import Document, Duration, Exact, Formula, Prose, Version, duration_text
from wirevow.protocol.expression import Expression

REFERENCES: dict[tuple[str, str], str] = {
    ("Point", "quantity"): "quantities",
    ("Point", "record"): "records",
    ("Point", "highest"): "points",
    ("Point", "lowest"): "points",
    ("Point", "set_in"): "states",
    ("Follow", "setting"): "points",
    ("Follow", "state"): "states",
    ("Follow", "put"): "points",
    ("FromPoint", "from"): "points",
    ("Provoke", "state"): "states",
    ("Provoke", "put"): "points",
    ("Provoke", "bench"): "bench",
    ("Provoke", "relief"): "bench",
    ("Leave", "to"): "states",
    ("Pulse", "zeroes"): "points",
    ("Put", "put"): "points",
    ("Capture", "capture"): "records",
    ("Action", "from"): "states",
    ("Action", "to"): "states",
    ("Action", "keeps"): "states",
    ("Action", "takes_ticket"): "actions",
    ("Trip", "in"): "states",
    ("Trip", "to"): "states",
    ("Trip", "reports"): "points",
    ("Limit", "of"): "points",
    ("Limit", "in"): "states",
    ("Derating", "temperature"): "points",
    ("Derating", "ceiling"): "points",
    ("Derating", "power"): "points",
    ("Fan", "temperature"): "points",
    ("Fan", "duty"): "points",
    ("Phase", "level"): "points",
    ("Phase", "lasts"): "points",
    ("Law", "integral_of"): "points",
    ("Law", "is"): "points",
    ("Law", "never_falls"): "points",
    ("Law", "while_rises"): "points",
    ("Law", "alternates"): "points",
    ("Law", "counted_by"): "points",
    ("Law", "rate_of"): "points",
    ("Law", "steps"): "points",
    ("Rows", "used"): "points",
    ("Law", "at_most"): "points",
    ("Law", "elapses"): "points",
    ("Law", "in"): "states",
    ("RecordField", "from"): "points",
    ("BenchEvent", "value"): "quantities",
    ("BenchEvent", "moves"): "points",
    ("BenchEvent", "shown_by"): "points",
    ("Trial", "put"): "points",
    ("Trial", "reset"): "actions",
    ("Trial", "safe"): "actions",
}
"""The section whose names a key's words are, by model class and key as written; of a mapping, its keys."""

MISSING = object()

Data = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Site:
    """A value of a document, or the place of one that may be added (`MISSING`)."""

    path: NodePath
    section: str
    """The model class that has the key."""
    key: str
    """The key of that class, as written."""
    hint: Any
    """The annotation of the value at `path`."""
    value: Any
    default: Any = MISSING
    """What stands for a key that is left out; `MISSING` where it cannot be."""
    entry: bool = False
    """A member of a mapping or a list that is the key's value."""


@cache
def _hints(model: type[BaseModel]) -> dict[str, tuple[Any, Any]]:
    """Annotation and default of every key, as written; `MISSING` for a default when the key is required."""
    hints = get_type_hints(model, include_extras=True)
    found: dict[str, tuple[Any, Any]] = {}
    for name, field in model.model_fields.items():
        default = MISSING if field.is_required() else field.get_default(call_default_factory=True)
        found[field.alias or name] = (hints[name], default)
    return found


def forms(hint: Any) -> tuple[Any, ...]:
    """The alternatives of an annotation, flat; named types (`Duration`) are one alternative."""
    if get_origin(hint) in (Union, UnionType):
        return tuple(form for each in get_args(hint) for form in forms(each))
    if get_origin(hint) is Annotated and hint not in NAMED:
        return forms(get_args(hint)[0])
    return (hint,)


NAMED = (Duration, Exact, Formula, Prose, Version)


def inside(hint: Any, value: Any) -> tuple[str, Any] | None:
    """What a container has: ("keys", the model), ("members", annotation) or ("items", annotation)."""
    for form in forms(hint):
        if isinstance(value, Mapping) and isinstance(form, type) and issubclass(form, BaseModel):
            if set(value) <= set(_hints(form)):
                return "keys", form
        elif isinstance(value, Mapping) and get_origin(form) is dict:
            return "members", get_args(form)[1]
        elif isinstance(value, list) and get_origin(form) is list:
            return "items", get_args(form)[0]
    return None


def sites(data: Any) -> Iterator[Site]:
    """Every value of a document and every place of one, in the order of the text."""
    yield from _sites(Site((), "", "", Document, data))


def _sites(site: Site) -> Iterator[Site]:
    if site.path:
        yield site
    within = inside(site.hint, site.value)
    if within is None:
        return
    kind, what = within
    if kind == "keys":
        for key, (hint, default) in _hints(what).items():
            value = site.value.get(key, MISSING)
            yield from _sites(Site((*site.path, key), what.__name__, key, hint, value, default))
        return
    members = site.value.items() if kind == "members" else enumerate(site.value)
    for part, value in members:
        yield from _sites(Site((*site.path, part), site.section, site.key, what, value, entry=True))


def at(data: Any, path: NodePath) -> Any:
    """What is at a path. LookupError where nothing is."""
    for part in path:
        data = data[part]
    return data


def replaced(data: Any, path: NodePath, value: Any) -> Any:
    """The data with another value at `path` (`MISSING`: without it); what is not on the way is shared."""
    if not path:
        return value
    first, rest = path[0], path[1:]
    if isinstance(data, list):
        assert isinstance(first, int)
        items = list(data)
        if not rest and value is MISSING:
            del items[first]
        else:
            items[first] = replaced(items[first], rest, value)
        return items
    members = dict(data)
    if not rest and value is MISSING:
        del members[first]
    else:
        members[first] = replaced(members.get(first), rest, value)
    return members


def data_of(value: Any, hint: Any = Document) -> Any:
    """A document as plain data, with what its text says and no defaults; `Document` reads it as the same."""
    if isinstance(value, BaseModel):
        hints = _hints(type(value))
        written = {
            field.alias or name: getattr(value, name)
            for name, field in type(value).model_fields.items()
            if name in value.model_fields_set
        }
        return {key: data_of(inner, hints[key][0]) for key, inner in written.items()}
    within = inside(hint, value)
    if within is not None and isinstance(value, Mapping):
        return {key: data_of(inner, within[1]) for key, inner in value.items()}
    if within is not None:
        return [data_of(inner, within[1]) for inner in value]
    if isinstance(value, Expression):
        return value.text
    return duration_text(value) if Duration in forms(hint) and isinstance(value, int) else value
