"""A document's own words for what the plant calls otherwise."""

from __future__ import annotations

from pathlib import Path

import pytest

from wirevow.emu.plant.registry import looked_at
from wirevow.protocol.document.canonical import wire_digest
from wirevow.protocol.document.load import DocumentError, load_document, read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.vow import compile_vow

SKERRY = Path(__file__).parents[2] / "spec" / "skerry.yaml"
TEXT = SKERRY.read_text(encoding="utf-8")
WORDS = "drives_as: {steady: current, pull: voltage, ohmic: resistance}"


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (WORDS, None),
        (WORDS.replace("pull: voltage", "pull: volts"), "plant-word"),
        (WORDS.replace("ohmic:", "omic:"), "unknown-word"),
        ("drives_as: {}", "plant-word"),
    ],
)
def test_each_word_is_one_that_the_plant_has(words: str, code: str | None) -> None:
    assert TEXT.count(WORDS) == 1
    loaded = read_document(TEXT.replace(WORDS, words))
    codes = {each.code for each in vet(loaded, looked_at(loaded)).errors}
    assert (code in codes) if code is not None else not codes


def test_it_is_for_choices_that_drive_something() -> None:
    with pytest.raises(DocumentError, match="write drives and choice"):
        read_document(TEXT.replace("    drives: mode\n", ""))


def test_the_plant_s_words_are_not_on_the_wire() -> None:
    other = read_document(TEXT.replace("pull: voltage", "pull: power")).document
    assert wire_digest(other) == wire_digest(load_document(SKERRY).document)


def test_whoever_looks_for_the_plant_s_word_finds_the_own_one() -> None:
    mode = compile_vow(load_document(SKERRY).document).points["load.mode"]
    assert [mode.word_for(word) for word in ("current", "resistance", "power")] == [
        "steady",
        "ohmic",
        "power",
    ]
