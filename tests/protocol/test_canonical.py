"""The canonical form: writing changes nothing, meaning changes the digests, and physics only one of them."""

import hashlib
import json
from copy import deepcopy
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from wirevow.protocol.document.canonical import canonical, document_digest, wire_digest
from wirevow.protocol.document.load import DocumentError, read_document, read_yaml
from wirevow.protocol.document.model import OFF_THE_WIRE, Document

HERE = Path(__file__).parent
GOOD = (HERE / "hutch.yaml").read_text(encoding="utf-8")
SPEC = HERE.parents[1] / "spec"
DOCUMENT = read_document(GOOD).document
DATA = read_yaml(GOOD.encode(), "hutch.yaml").data


def read(text: str) -> Document:
    return read_document(text).document


def test_the_form_is_compact_json_with_sorted_keys() -> None:
    form = canonical(DOCUMENT)
    again = json.dumps(json.loads(form), sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert form == again
    assert document_digest(DOCUMENT) == hashlib.sha256(form).hexdigest()


def test_the_digests_of_the_fixture_stay() -> None:
    # A change here means that every digest in the field changes: bump the wire version, or find the mistake.
    assert document_digest(DOCUMENT) == "c749de09304c3d18f49ab5c0ddaee3e1d5e8b99c9eb1b50c622b0a258e7fa233"
    assert wire_digest(DOCUMENT) == "dcd6156e49ea1ecdcd3fdc40e2bc1eb426b9654b37c5daf370516a2313335a24"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("vow:", "# a comment\nvow:"),
        ("name: hutch", "name:   'hutch'   # quoted"),
        ("wire:", "\n\n\nwire:"),
        ("step: 0.5, low: 0, high: 200", "high: 200.00, step: 0.50, low: 0.000"),
        ("default: 20,", 'default: "20.00",'),
        ("reply_deadline: 20 ms", "reply_deadline: 0.02 s"),
        ("idle_typing: 30 s", "idle_typing: 0.5 min"),
        ("roof.warmth - 5.0 ", "( (roof.warmth)-5 ) "),
        ("low: wish.warmth + 5.0", "low: wish.warmth   +  5"),
        ("when: link.silence > link.patience", "when: (link.silence)>(link.patience)"),
        ("to: rest, repeat: safe, always: true", "always: true, repeat: safe, to: rest"),
        ("repeat: once}\n\ntrips", "repeat: once, always: false}\n\ntrips"),
        (
            "latched: true\n    to: tripped\n    reports: link",
            "after: 0 s\n    latched: true\n    to: tripped\n    reports: link",
        ),
        ("heater_watt: 200", "heater_watt: 200.0"),
        ("tolerance_percent: 2", "tolerance_percent: 2.0"),
        ("title: Warm cabinet for seedlings", "title: >\n    Warm cabinet\n    for seedlings"),
    ],
)
def test_another_way_of_writing_the_same_changes_no_digest(old: str, new: str) -> None:
    assert GOOD.count(old) >= 1
    document = read(GOOD.replace(old, new, 1))
    assert document_digest(document) == document_digest(DOCUMENT)
    assert wire_digest(document) == wire_digest(DOCUMENT)


def shuffled(node: Any, order: Any, path: tuple[str, ...] = ()) -> Any:
    """The data with the keys of its mappings in another order, except where order means something."""
    if isinstance(node, dict):
        keys = list(node)
        meaning = path == ("trips",) or (len(path) > 1 and path[-1] in ("put", "bench", "relief"))
        if not meaning:
            keys = order.draw(st.permutations(keys))
        return {key: shuffled(node[key], order, (*path, key)) for key in keys}
    if isinstance(node, list):
        return [shuffled(item, order, path) for item in node]
    return node


@settings(max_examples=25)
@given(st.data())
def test_the_order_of_keys_changes_no_digest(data: st.DataObject) -> None:
    document = Document.model_validate(shuffled(DATA, data))
    assert document_digest(document) == document_digest(DOCUMENT)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("choice: [gentle, brisk]", "choice: [brisk, gentle]"),
        ("put: {roof.warmth: 30.0}", "put: {roof.warmth: 30.0, link.patience: 5}"),
    ],
)
def test_the_order_of_lists_and_of_what_is_done_in_turn_counts(old: str, new: str) -> None:
    assert document_digest(read(GOOD.replace(old, new))) != document_digest(DOCUMENT)


def test_the_order_of_trips_and_of_puts_counts() -> None:
    data = deepcopy(DATA)
    data["trips"] = dict(reversed(data["trips"].items()))
    assert wire_digest(Document.model_validate(data)) != wire_digest(DOCUMENT)
    first, second = deepcopy(DATA), deepcopy(DATA)
    first["trial"]["put"] = {"wish.warmth": Decimal(25), "mode.kind": "brisk"}
    second["trial"]["put"] = {"mode.kind": "brisk", "wish.warmth": Decimal(25)}
    digests = {document_digest(Document.model_validate(data)) for data in (first, second)}
    assert len(digests) == 2


# ------------------------------------------------------------------------------------------ every single leaf


def leaves(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(node, dict):
        return [leaf for key, value in node.items() for leaf in leaves(value, (*path, key))]
    if isinstance(node, list):
        return [leaf for index, value in enumerate(node) for leaf in leaves(value, (*path, index))]
    return [path]


def others(value: Any) -> list[Any]:
    """Other values that may stand there; the first that loads is taken."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int | Decimal):
        return [value + 1, value - 1, value + Decimal("0.1"), value / 2, 1]
    words = [
        "lantern",
        "quantity",
        "once",
        "safe",
        "notices",
        "u32",
        "i16",
        "u8",
        "big",
        "little",
        "read",
        "set",
    ]
    words += ["7 ms", "0.9.9", "air.warmth > 3", "3", "save", "recall", "uptime", "boots", "room.warmth"]
    return [f"{value}x", f"{value} > 0", *words]


def changed(path: tuple[Any, ...]) -> Document | None:
    """The document with another value at the leaf, or None if nothing else fits the model there."""
    value = DATA
    for part in path:
        value = value[part]
    for other in others(value):
        if other == value:
            continue
        data = deepcopy(DATA)
        node = data
        for part in path[:-1]:
            node = node[part]
        node[path[-1]] = other
        try:
            return Document.model_validate(data)
        except ValueError:
            continue
    return None


def off_the_wire(path: tuple[Any, ...]) -> bool:
    """Whether the leaf is prose, physics or testing, judged by walking the model along the path."""
    node: Any = DOCUMENT
    for part in path:
        if isinstance(node, BaseModel):
            kind = type(node).__name__
            name = next(key for key, field in type(node).model_fields.items() if part in (key, field.alias))
            if name in OFF_THE_WIRE.get(kind, ()) or name in OFF_THE_WIRE["*"]:
                return True
            node = getattr(node, name)
        else:
            node = node[part]
    return False


LEAVES = leaves(DATA)


def test_any_change_of_any_leaf_changes_the_document_digest_and_only_the_wire_part_the_other() -> None:
    untouched = []
    for path in LEAVES:
        document = changed(path)
        if document is None:
            untouched.append(path)
            continue
        assert document_digest(document) != document_digest(DOCUMENT), path
        assert (wire_digest(document) == wire_digest(DOCUMENT)) == off_the_wire(path), path
    # What cannot be other than it is: the wire version, the kind of plant, words that fit one place only.
    assert len(untouched) < len(LEAVES) / 20, untouched


@pytest.mark.parametrize("path", [SPEC / "tarn.yaml", SPEC / "brae.yaml"], ids=lambda path: path.stem)
def test_the_demo_documents_have_two_digests_that_stay_over_comments(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    bare = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#"))
    first, second = read(text), read(bare)
    assert document_digest(first) == document_digest(second)
    assert wire_digest(first) == wire_digest(second)
    assert document_digest(first) != wire_digest(first)


@settings(max_examples=25)
@given(st.text(max_size=30))
def test_a_text_put_into_the_fixture_never_breaks_the_form(prose: str) -> None:
    try:
        document = read(GOOD.replace("It makes no sound that a seedling could hear", json.dumps(prose)))
    except DocumentError:
        return
    assert json.loads(canonical(document))["promises"]["self.quiet"] == document.promises["self.quiet"]
