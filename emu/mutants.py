"""Mutants of a document: instruments that behave by it with one entry changed, and claim the document itself.

Operators over the model's types make them (`wirevow.protocol.document.variants`), of any document. A mutant's
name says its entry, the operator and which of its values: `trips.hot.after/timed/2`. What comes of one is

=============  =============================================================================================
fate           meaning
=============  =============================================================================================
`found`        the check ends with a failure, or turns the instrument away
`cannot show`  nothing that an instrument does, or that the document promises on the wire, comes of the entry
`cannot run`   no instrument can behave so: it came to grief before or during the check
`not tried`    what the document promises of the entry is not tried: the good instrument's check says why
`not found`    none of these: a hole of the checker, or a change that comes to the same in this document
=============  =============================================================================================
"""

from __future__ import annotations

import hashlib
import re
import signal
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from pydantic import ValidationError

from wirevow.emu.audit import Trial, tried
from wirevow.emu.bench import Bench
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.campaign import Report
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.device import Store
from wirevow.protocol.document.canonical import canonical
from wirevow.protocol.document.entries import data_of, sites
from wirevow.protocol.document.load import Marks, NodePath
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.requirements import ACTIONS, POINTS, TRIPS, WIRE, Aspect
from wirevow.protocol.document.variants import MUTATING, Variant, variants_at
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow, compile_vow

LIMIT_S = 180
"""No trial takes more of a processor's time, however busy the machine is."""


# ---------------------------------------------------------------------------------------------- making them


@dataclass(frozen=True, slots=True)
class Mutant:
    """A variant that some instrument could behave by."""

    variant: Variant
    same: bool
    """Nothing that an instrument does is otherwise."""
    off_wire: bool
    """Nothing that the document says of the wire is otherwise."""

    @property
    def name(self) -> str:
        return self.variant.name


def drawn(vow: Vow, count: int | None = None) -> Iterator[Mutant]:
    """Mutants, one of each entry and operator: so many, or all, in an order that a digest of the names gives.

    The same ones every time; of a larger number, the smaller is the beginning.
    """
    data = _data(vow.document)
    good, wire = behaviour(vow), canonical(vow.document, wire_only=True)
    pairs = [(site, operator) for site in sites(data) for operator in MUTATING]
    pairs.sort(key=lambda pair: digest(f"{'.'.join(map(str, pair[0].path))}/{pair[1]}"))
    made = 0
    for site, operator in pairs:
        if made == count:
            return
        found = variants_at(site, data, {operator: MUTATING[operator]})
        variant = min(found, key=lambda each: digest(each.name), default=None)
        if variant is None:
            continue
        try:
            tables = behaving(vow, variant)
        except WirevowError:
            continue
        made += 1
        off_wire = canonical(tables.document, wire_only=True) == wire
        yield Mutant(variant, behaviour(tables) == good, off_wire)


def digest(name: str) -> bytes:
    """What orders names when some are drawn: the same every time, and as good as by chance."""
    return hashlib.sha256(name.encode()).digest()


def _data(document: Document) -> Any:
    data = data_of(document)
    data.pop("plant", None)  # physics, and promises nothing
    return data


def mutant_named(document: Document, name: str) -> Variant:
    """The mutant of that name. WirevowError: there is none."""
    where, _, rest = name.partition("/")
    operator = rest.partition("/")[0].replace("-", " ")
    data = _data(document)
    if operator in MUTATING:
        for site in sites(data):
            if ".".join(map(str, site.path)) == where:
                for variant in variants_at(site, data, {operator: MUTATING[operator]}):
                    if variant.name == name:
                        return variant
    raise WirevowError(
        f"{document.vow.name} has no mutant {name[:120]!r}: `wirevow audit` lists those that survive"
    )


def behaving(vow: Vow, variant: Variant) -> Vow:
    """The tables of the variant under the document's identity. WirevowError: no instrument can have them."""
    try:
        document = Document.model_validate(variant.data)
    except ValidationError as wrong:
        raise WirevowError(f"no document: {wrong.errors()[0]['msg']}") from None
    try:
        tables = compile_vow(document.model_copy(update={"plant": vow.document.plant}))
    except (LookupError, ValueError, ArithmeticError, AssertionError, TypeError, AttributeError) as wrong:
        raise WirevowError(f"no tables: {type(wrong).__name__} {wrong}") from None
    return replace(tables, identity=vow.identity)


def build_mutant(
    vow: Vow, name: str, bench: Bench | None = None, seed: int = 0, store: Store | None = None
) -> Instrument:
    """The instrument that behaves by a mutant. WirevowError: there is none of that name, or it cannot be."""
    return Instrument(behaving(vow, mutant_named(vow.document, name)), bench, seed, store=store)


def behaviour(vow: Vow) -> Any:
    """What of a document an instrument goes by: two with equal ones do the same, whatever is asked."""
    document = vow.document
    wire = document.wire
    local = "local" in vow.parts
    points = {
        name: replace(
            each,
            reading_error=Fraction(0),
            range_error=Fraction(0),
            saved=each.saved and each.source != "system",
            local=each.local and local,
        )
        for name, each in vow.points.items()
    }
    layouts = {
        name: (record.order, [(field.type, field.value, field.count, field.every) for field in record.fields])
        for name, record in document.records.items()
    }
    firmware = [
        section and {key: value for key, value in section if key not in ("means", "provoke", *_PLAYERS)}
        for section in (document.fan, document.derating)
    ]
    return (
        points,
        [each.name for each in vow.settings],
        {name: replace(each, once=False, always=each.always and local) for name, each in vow.actions.items()},
        {name: replace(each, energised=False) for name, each in vow.states.items()},
        list(vow.trips.items()),
        (vow.initial, vow.parts, layouts, firmware),
        (wire.line_limit, wire.idle_typing, wire.idle_checked, wire.notice_queue),
        (wire.opening.resets, wire.opening.settle),
        # Without a plant readings are what the bench says.
        document.plant is None and {name: (each.value, each.base) for name, each in document.bench.items()},
    )


_PLAYERS = ("temperature", "duty", "ceiling", "power")
"""The points that show what fan and derating do; the plant knows its own."""


def why_same(path: NodePath) -> str:
    """Why nothing comes of another entry there, in words."""
    for reason, keys in SAME:
        if any(part in keys for part in path[:1]) or any(part in keys for part in path[2:]):
            return reason
    return "it comes to the same"


SAME = (
    ("words for people", ("vow", "means", "title")),
    ("how it is tested", ("provoke", "follows", "bench", "trial", "shown_by", "moves")),
    (
        "what its physics is held to",
        ("laws", "limits", "promises", "accuracy", *_PLAYERS),
    ),
    ("what hosts are told and may rely on", ("repeat", "energised", "wire")),
)
"""Keys (of a section, or below a name), and why no instrument does anything by them."""


# ---------------------------------------------------------------------------------------------- trying them


class TooLong(Exception):
    """A trial takes too long."""


@contextmanager
def limited(limit_s: int) -> Iterator[None]:
    """Raises TooLong inside when more of this process' time is used, where the system can tell."""
    if not hasattr(signal, "SIGPROF"):
        yield
        return

    def late(*_: object) -> None:
        raise TooLong(f"more than {limit_s} s of a processor's time")

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, limit_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def attempt_mutant(vow: Vow, name: str, seed: int) -> Trial:
    """One trial of a mutant: the checker goes by the document, the instrument by the mutant."""
    tables = behaving(vow, mutant_named(vow.document, name))
    with limited(LIMIT_S):
        return tried(vow, lambda: Instrument(tables, seed=seed), name, seed)


def clean_check(vow: Vow, seed: int) -> Report:
    """The whole check of the good instrument."""
    tester = direct_tester(vow, Instrument(vow, seed=seed), seed=seed)
    return campaign.run(tester, seed=seed, until_failure=True, reduce=False)


# ------------------------------------------------------------------------------------------- what came of it

FATES = ("found", "cannot show", "cannot run", "not tried", "not found")


@dataclass(frozen=True, slots=True)
class Fate:
    """A mutant and what came of it."""

    mutant: Variant
    fate: str
    """One of `FATES`."""
    why: str
    """Unless it was found."""
    trial: Trial | None
    """None: not tried, for it is the same."""


def fate_of(mutant: Mutant, trial: Trial | None, clean: Report, vow: Vow) -> Fate:
    """What came of a mutant, in the light of the whole check of the good instrument."""
    variant = mutant.variant
    if mutant.same or trial is None:
        return Fate(variant, "cannot show", why_same(variant.path), None)
    if trial.detected:
        return Fate(variant, "found", "", trial)
    if trial.outcome == "error":
        return Fate(variant, "cannot run", trial.message, trial)
    if mutant.off_wire:
        return Fate(variant, "cannot show", "physics, of which the document promises nothing", trial)
    was, _, now = variant.change.partition(" -> ")
    if variant.operator == "reformed" and _STRICT.sub(r"\1", was) == _STRICT.sub(r"\1", now):
        return Fate(variant, "cannot show", "a bound that is met by chance", trial)
    bearing = [clean.findings[each] for each in requirements_on(variant.path, vow.document, clean.findings)]
    if bearing and all(each.verdict is not Verdict.PASS for each in bearing):
        first = bearing[0]
        return Fate(
            variant, "not tried", f"{first.requirement.id}: {first.reason or 'nothing tries it'}", trial
        )
    if trial.outcome != "passed":
        return Fate(variant, "not found", f"{trial.outcome}: {trial.message}", trial)
    if trial.bytes_sha256 == clean.bytes_sha256:
        return Fate(variant, "not found", "every answer was the good instrument's", trial)
    return Fate(variant, "not found", "some answers were not the good instrument's, and as good", trial)


_STRICT = re.compile("([<>])=?")
_ASPECTS: Mapping[str, tuple[Aspect, ...]] = {"points": POINTS, "actions": ACTIONS, "trips": TRIPS}


def requirements_on(path: NodePath, document: Document, ids: Iterable[str]) -> list[str]:
    """Of these requirements, those on an entry: of its key if there are such, else of its element."""
    section, *rest = map(str, path)
    ids = list(ids)
    if section == "wire":
        named = [f"wire.{each.name}" for each in WIRE if rest and each.key == rest[0]]
        return [each for each in ids if each in named]
    if section in ("fan", "derating"):
        return [each for each in ids if each.startswith(section)]
    if not rest:
        return []
    element = f"{section.removesuffix('s')}.{rest[0]}"
    if rest[1:2] == ["leaves"] and len(rest) > 2:
        return [each for each in ids if each == f"{element}.leave.{int(rest[2]) + 1}"]
    elements: tuple[str, ...] = (f"{element}.",)
    if section == "quantities":
        points = document.points.items()
        elements = tuple(f"point.{name}." for name, point in points if point.quantity == rest[0])
    names = [each.name for each in _ASPECTS.get(section, ()) if rest[1:2] == [each.key]]
    on_key = {element + name for element in elements for name in names}
    return [each for each in ids if each in on_key] or [each for each in ids if each.startswith(elements)]


def as_json(
    vow: Vow, seed: int, clean: Report, fates: Sequence[Fate], marks: Marks, asked: int
) -> dict[str, Any]:
    """An audit with mutants of a document as JSON.

    ========== =========================================================================================
    key        value
    ========== =========================================================================================
    `entries`  version of this form, 1
    `document` `name`, `version` and `digest` (8 hex digits) of the document
    `seed`     of instruments and checks
    `complete` whether every mutant drawn was tried
    `clean`    the check of the good instrument: `verdict`, `lines`
    `score`    how many mutants have each fate (see `wirevow.emu.mutants`)
    `mutants`  each: `name`, `line` of its entry, `operator`, `change`, `fate`, `why`; if tried `outcome`,
               `lines`, `seconds`, and if found `requirement` and `message`
    ========== =========================================================================================
    """
    counted = Counter(each.fate for each in fates)
    return {
        "entries": 1,
        "document": dict(zip(("name", "version", "digest"), vow.identity, strict=True)),
        "seed": seed,
        "complete": len(fates) == asked,
        "clean": {"verdict": str(clean.verdict), "lines": clean.lines},
        "score": {name: counted[name] for name in FATES},
        "mutants": [_row(each, marks) for each in fates],
    }


def _row(fate: Fate, marks: Marks) -> dict[str, Any]:
    variant, trial = fate.mutant, fate.trial
    row: dict[str, Any] = {
        "name": variant.name,
        "line": marks.line(*variant.path),
        "operator": variant.operator,
        "change": variant.change,
        "fate": fate.fate,
        "why": fate.why,
    }
    if trial is not None:
        row |= {key: getattr(trial, key) for key in ("outcome", "lines", "seconds")}
        if trial.requirement is not None:
            row |= {"requirement": trial.requirement, "message": trial.message}
    return row
