"""Documents with one entry changed."""

from __future__ import annotations

import pytest

from wirevow.protocol.document.load import load_document, read_document
from wirevow.protocol.document.variants import OPERATORS, renamed, sound, variants
from wirevow.protocol.document.writing import text_of

BRAE = load_document("spec/brae.yaml")


@pytest.mark.parametrize("path", ["spec/tarn.yaml", "spec/brae.yaml", "tests/emu/cote.yaml"])
def test_text_is_read_as_the_same_document(path: str) -> None:
    loaded = load_document(path)
    assert read_document(text_of(loaded.source.data)).document == loaded.document


@pytest.mark.parametrize("operator", OPERATORS)
def test_every_operator_makes_a_sound_document_of_another_meaning(operator: str) -> None:
    made = variants(BRAE.source.data, {operator: OPERATORS[operator]})
    found = filter(None, map(sound, reversed(list(made))))
    assert any(loaded.document != BRAE.document or operator == "ordered" for loaded in found)


def test_what_follows_a_setting_is_no_number() -> None:
    hutch = load_document("tests/protocol/hutch.yaml").source.data
    place = ("states", "heating", "outputs", "heater")
    made = [variant for variant in variants(hutch) if variant.path[:4] == place]
    assert {variant.operator for variant in made} == {"taken out", "named"}
    assert all(variant.path == (*place, "from") for variant in made if variant.operator == "named")


def test_a_name_is_changed_wherever_it_is_used() -> None:
    changed = {variant.path: variant for variant in renamed(BRAE.source.data)}
    for path in (("points", "room.wanted"), ("states", "resting"), ("bench", "outside.temperature")):
        assert sound(changed[path]) is not None
        assert path[1] not in text_of(changed[path].data).replace(f"{path[1]}_new", "")
