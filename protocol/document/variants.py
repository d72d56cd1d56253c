"""Documents with one entry changed: operators as a table over the model's types.

    >>> data = load_document("spec/brae.yaml").source.data
    >>> for variant in variants(data):
    ...     print(variant.name, variant.change)  # wire.reply_deadline/timed/1 200 ms -> 400 ms
    ...     text = text_of(variant.data)         # YAML, one line for each entry

Most variants are nonsense, which `vet` says; those that it calls sound are documents of good instruments, a
little unlike the one they come from: tried as such, and pairs of an old and a new document. Firmware that
behaves by a variant and claims the document is broken: such mutants are tried by `wirevow audit`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Annotated, Any, Literal, get_args, get_origin

from wirevow.protocol.document.entries import (
    MISSING,
    NAMED,
    REFERENCES,
    Data,
    Site,
    at,
    forms,
    inside,
    replaced,
    sites,
)
from wirevow.protocol.document.load import DocumentError, Loaded, NodePath, read_document
from wirevow.protocol.document.model import (
    Document,
    Duration,
    Exact,
    Formula,
    Prose,
    Version,
    duration_ns,
    duration_text,
)
from wirevow.protocol.document.vet import vet
from wirevow.protocol.document.writing import text_of
from wirevow.protocol.expression import ExpressionError, parse
from wirevow.protocol.expression.tree import And, Call, Node, Or, walk, write


@dataclass(frozen=True, slots=True)
class Variant:
    """A document with one entry changed."""

    operator: str
    site: Site
    number: int
    """Which of the other values that the operator has for the entry, counted from 1."""
    change: str
    """What was and what is there, for people; long values are dots."""
    data: Any

    @property
    def path(self) -> NodePath:
        return self.site.path

    @property
    def name(self) -> str:
        """By path, operator and number: `wire.reply_deadline/timed/1`."""
        return f"{self.where}/{self.operator.replace(' ', '-')}/{self.number}"

    @property
    def where(self) -> str:
        """The path with points between."""
        return ".".join(map(str, self.path))

    @property
    def sentence(self) -> str:
        """What is done: `timed wire.reply_deadline: 200 ms -> 400 ms`."""
        return f"{self.operator} {self.where}: {self.change}"


Alternatives = Callable[[Site, Data], Iterator[Any]]


def _is(site: Site, *kinds: Any) -> bool:
    """Whether the value there is of one of these kinds, each of which is written as one scalar."""
    if site.value is MISSING or isinstance(site.value, Mapping | list):
        return False
    if isinstance(site.value, bool) is not (bool in kinds):
        return False
    found = forms(site.hint)
    if isinstance(site.value, str) and (Exact in found or Formula in found) and Formula not in kinds:
        return False  # a word
    return any(kind in found for kind in kinds)


def _nudged(site: Site, _: Data) -> Iterator[Any]:
    """A number by one of its last digit, up and down."""
    if not _is(site, Exact, int, float) or isinstance(site.value, str):
        return
    value = Decimal(str(site.value))
    last = Decimal(1).scaleb(min(int(value.as_tuple().exponent), 0))
    yield from (_number(value + shift, site) for shift in (last, -last))


def _scaled(site: Site, _: Data) -> Iterator[Any]:
    """A number doubled, halved, and its sign changed."""
    if not _is(site, Exact, int, float) or isinstance(site.value, str) or not site.value:
        return
    value = Decimal(str(site.value))
    places = Decimal(1).scaleb(min(int(value.as_tuple().exponent), 0))
    for factor in (Decimal(2), Decimal("0.5"), Decimal(-1)):
        scaled = (value * factor).quantize(places, ROUND_HALF_EVEN)
        if scaled != value:
            yield _number(scaled, site)


def _number(value: Decimal, site: Site) -> Any:
    return int(value) if isinstance(site.value, int) else value


def _timed(site: Site, _: Data) -> Iterator[Any]:
    """A duration doubled, halved, and a tenth of it."""
    if not _is(site, Duration):
        return
    ns = duration_ns(site.value)
    yield from (duration_text(other) for other in (2 * ns, ns // 2, ns // 10) if other != ns)


def _turned(site: Site, _: Data) -> Iterator[Any]:
    """A truth, or what stands for it when it is left out, into its opposite."""
    if bool in _bare(site.hint):
        yield not (site.default if site.value is MISSING else site.value)


def _bare(hint: Any) -> tuple[Any, ...]:
    return tuple(get_args(form)[0] if get_origin(form) is Annotated else form for form in forms(hint))


def _chosen(site: Site, _: Data) -> Iterator[Any]:
    """Another of the words that the model knows there."""
    words = [word for form in forms(site.hint) if get_origin(form) is Literal for word in get_args(form)]
    now = site.default if site.value is MISSING and site.default is not MISSING else site.value
    if not site.entry and (isinstance(now, str | int) or (now is None and site.default is None)):
        yield from (word for word in words if word != now)


def _named(site: Site, data: Data) -> Iterator[Any]:
    """Another name of the section that the key refers to; without one, what the same key says elsewhere."""
    if not isinstance(site.value, str) or not any(_is_word(form) for form in forms(site.hint)):
        return
    if site.key in ("put", "default", "to", "base", "other", "bench", "relief") and not _refers(site):
        yield from (word for word in _choices(site, data) if word != site.value)
        return
    section = REFERENCES.get((site.section, site.key))
    if section is not None and not isinstance(at(data, site.path[:-1]), list):
        yield from (name for name in data.get(section, ()) if name != site.value)
    elif not site.entry and site.section != "VowSection":
        others = {
            each.value for each in sites(data) if (each.section, each.key) == (site.section, site.key)
        } - {site.value, MISSING}
        yield from sorted(other for other in others if isinstance(other, str))


def _is_word(form: Any) -> bool:
    return form is str or (get_origin(form) is Annotated and form not in NAMED and get_args(form)[0] is str)


def _refers(site: Site) -> bool:
    return site.section in ("Leave", "Action", "Trip") and site.key == "to"


def _choices(site: Site, data: Data) -> Iterator[str]:
    """The words that a point or a bench event can have, where its value stands."""
    if site.section == "Follow" and site.key == "to":
        owner = data["points"].get(at(data, site.path[:-1]).get("setting"), {})
    elif site.key in ("put", "bench", "relief"):
        section = data.get("points" if site.key == "put" else "bench", {})
        owner = section.get(site.path[-1], {})
    else:
        owner = at(data, site.path[:-1])
    yield from owner.get("choice", ()) if isinstance(owner, Mapping) else ()


def _taken_out(site: Site, _: Data) -> Iterator[Any]:
    """A key that may be left out, or a member."""
    if site.value is not MISSING and (site.entry or site.default is not MISSING):
        yield MISSING


def _put_in(site: Site, data: Data) -> Iterator[Any]:
    """A list of names with one more; a key that is left out, with a duration or a name in it."""
    section = REFERENCES.get((site.section, site.key))
    listed = any(get_origin(form) is list for form in forms(site.hint))
    if listed and not site.entry:
        present = site.value if isinstance(site.value, list) else []
        words = [
            word
            for form in forms(site.hint)
            if get_origin(form) is list
            for inner in forms(get_args(form)[0])
            if get_origin(inner) is Literal
            for word in get_args(inner)
        ]
        for name in (*(data.get(section, ()) if section else ()), *words):
            if name not in present:
                yield [*present, name]
        if site.key == "choice" and present:
            yield [*present, "spare"]
    elif site.value is MISSING:
        if Duration in forms(site.hint):
            yield "1 s"
        elif section is not None and any(_is_word(form) for form in forms(site.hint)):
            yield from list(data.get(section, ()))[:3]


def _ordered(site: Site, _: Data) -> Iterator[Any]:
    """Neighbours exchanged, in lists and in mappings: the order of trips and choices means something."""
    within = inside(site.hint, site.value)
    if isinstance(site.value, list):
        yield from _exchanged(site.value)
    elif within is not None and within[0] == "members":
        yield from map(dict, _exchanged(list(site.value.items())))


def _exchanged(items: list[Any]) -> Iterator[list[Any]]:
    for index in range(len(items) - 1):
        yield [*items[:index], items[index + 1], items[index], *items[index + 2 :]]


_COMPARISONS = {"<": "<=", "<=": "<", ">": ">=", ">=": ">"}


def _reformed(site: Site, data: Data) -> Iterator[Any]:
    """A formula with another number, comparison, connective or word."""
    if not _is(site, Formula):
        return
    text = str(site.value)
    for found in re.finditer(r"(?<![\w.])\d+(\.\d+)?(?![\w.])", text):
        value = Decimal(found[0])
        last = Decimal(1).scaleb(min(int(value.as_tuple().exponent), 0))
        for other in (value + last, value - last, 2 * value):
            if other >= 0 and other != value:
                yield f"{text[: found.start()]}{other}{text[found.end() :]}"
    for found in re.finditer(r"<=|>=|<|>", text):
        yield f"{text[: found.start()]}{_COMPARISONS[found[0]]}{text[found.end() :]}"
    for found in re.finditer(r"\b(and|or)\b", text):
        yield f"{text[: found.start()]}{'or' if found[0] == 'and' else 'and'}{text[found.end() :]}"
    points = data.get("points", {})
    for found in re.finditer(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)+", text):
        quantity = points.get(found[0], {}).get("quantity")
        for name, point in points.items():
            if quantity is not None and name != found[0] and point.get("quantity") == quantity:
                yield f"{text[: found.start()]}{name}{text[found.end() :]}"
    for found in re.finditer(r"'(\w+)'", text):
        for point in points.values():
            choice = point.get("choice", ())
            if found[1] in choice:
                for word in choice:
                    if word != found[1]:
                        yield f"{text[: found.start()]}'{word}'{text[found.end() :]}"


def _shortened(site: Site, _: Data) -> Iterator[Any]:
    """A formula with one part of a conjunction, a disjunction, a least or a greatest less."""
    if not _is(site, Formula):
        return
    try:
        root = parse(str(site.value)).root
    except ExpressionError:
        return
    for node in walk(root):
        for shorter in _shorter(node):
            yield write(root).replace(write(node), f"({write(shorter)})", 1)


def _shorter(node: Node) -> Iterator[Node]:
    parts = node.parts if isinstance(node, And | Or) else node.arguments if isinstance(node, Call) else ()
    for index in range(len(parts) if len(parts) > 1 else 0):
        left: Any = (*parts[:index], *parts[index + 1 :])
        if len(left) == 1:
            yield left[0]
        elif isinstance(node, And | Or):
            yield replace(node, parts=left)
        elif isinstance(node, Call):
            yield replace(node, arguments=left)


def _reworded(site: Site, _: Data) -> Iterator[Any]:
    """Prose that says the same with a word more."""
    if _is(site, Prose):
        yield f"{site.value} Really."


def _renumbered(site: Site, _: Data) -> Iterator[Any]:
    """A version with each of its numbers raised."""
    if _is(site, Version):
        numbers = [int(number) for number in site.value.split(".")]
        for index in range(3):
            yield ".".join(map(str, [*numbers[:index], numbers[index] + 1, *(0,) * (2 - index)]))


OPERATORS: dict[str, Alternatives] = {
    "nudged": _nudged,
    "scaled": _scaled,
    "timed": _timed,
    "turned": _turned,
    "chosen": _chosen,
    "named": _named,
    "taken out": _taken_out,
    "put in": _put_in,
    "ordered": _ordered,
    "reformed": _reformed,
    "reworded": _reworded,
    "renumbered": _renumbered,
}
"""Other values for a value, by operator. Each looks at the annotation and leaves what is not its kind."""

MUTATING = {**OPERATORS, "shortened": _shortened}
"""All of them. What is shortened is seldom the document of a good instrument, and always one of a bad."""

OF_WORDS_ONLY = ("reworded", "renumbered")
"""These change nothing that an instrument does."""


def sound(variant: Variant) -> Loaded[Document] | None:
    """The variant as a document, if it is one and no rule of `vet` is broken in it."""
    try:
        loaded = read_document(text_of(variant.data), variant.sentence)
    except DocumentError:
        return None
    return None if vet(loaded).found else loaded


def variants(data: Any, operators: Mapping[str, Alternatives] = OPERATORS) -> Iterator[Variant]:
    """Every variant of a document, in the order of its text; `data` as `Source.data` has it."""
    for site in sites(data):
        yield from variants_at(site, data, operators)
    if operators is OPERATORS:
        yield from renamed(data)


def variants_at(
    site: Site, data: Any, operators: Mapping[str, Alternatives] = OPERATORS
) -> Iterator[Variant]:
    """The variants whose entry is this one."""
    for name, alternatives in operators.items():
        for number, other in enumerate(alternatives(site, data), 1):
            change = f"{_shown(site.value)} -> {_shown(other)}"
            yield Variant(name, site, number, change, replaced(data, site.path, other))


def renamed(data: Any) -> Iterator[Variant]:
    """Every name of a section changed wherever it is used."""
    for section in ("quantities", "points", "states", "actions", "trips", "records", "bench"):
        for name in data.get(section, ()):
            other = f"{name}_new"
            site = Site((section, name), "Document", section, Document, name, entry=True)
            yield Variant("renamed", site, 1, f"{name} -> {other}", _renamed(data, section, name, other))


def _renamed(data: Any, section: str, name: str, other: str) -> Any:
    formula = re.compile(rf"(?<![\w.']){re.escape(name)}(?![\w.'])")
    result = replaced(
        data, (section,), {other if key == name else key: value for key, value in data[section].items()}
    )
    for site in list(sites(result)):
        refers = REFERENCES.get((site.section, site.key)) == section
        if refers and site.value == name and _names(site):
            result = replaced(result, site.path, other)
        elif refers and isinstance(site.value, Mapping) and name in site.value and not site.entry:
            members = {other if key == name else key: value for key, value in at(result, site.path).items()}
            result = replaced(result, site.path, members)
        elif section == "points" and _is(site, Formula) and isinstance(site.value, str):
            result = replaced(result, site.path, formula.sub(other, site.value))
    return result


def _names(site: Site) -> bool:
    """Whether the value itself is the reference; of a mapping it is the key."""
    return not (site.entry and any(form is Exact for form in forms(site.hint)))


def _shown(value: Any) -> str:
    if value is MISSING:
        return "nothing"
    if isinstance(value, Mapping | list):
        return "..." if len(str(value)) > 60 else text_of(value).strip()
    return str(value)
