"""Pairs of documents in front of instruments: a few of them, and that a wrong grade would be noticed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.pairs import Tally, couples, judge
from wirevow.emu.witness import experiment
from wirevow.protocol.compare.comparison import compare
from wirevow.protocol.compare.rules import Grade
from wirevow.protocol.document.entries import MISSING, replaced
from wirevow.protocol.document.load import load_document, read_document
from wirevow.protocol.document.writing import text_of
from wirevow.protocol.vow import compile_vow

BRAE = load_document("spec/brae.yaml")


def test_what_compare_says_holds_in_front_of_instruments():
    tally = Tally()
    for couple in couples(8, 11, ("spec/brae.yaml",)):
        judge(couple, tally)
    assert tally.pairs == 8
    assert not tally.against
    assert tally.agreed["safe"] == tally.graded["safe"] > 0


@pytest.mark.parametrize(
    ("path", "value", "wrong", "told"),
    [
        (("actions", "store.keep"), MISSING, "safe", "it is noticed"),
        (("points", "room.wanted", "default"), 19.0, "safe", "it is noticed"),
        (("points", "room.wanted", "saved"), False, "breaks", "it is not noticed"),
        (("vow", "title"), "Brae, as it was", "breaks", "it is not noticed"),
    ],
)
def test_a_wrong_grade_is_noticed(path, value, wrong: Grade, told):
    new = read_document(text_of(replaced(BRAE.source.data, path, value)), "new.yaml")
    first = compare(BRAE, new).of("host")[0]
    graded = replace(first, effect=replace(first.effect, grade=wrong))
    vows = compile_vow(BRAE.document), compile_vow(new.document)
    assert not experiment(*vows, first, thorough=True).against
    found = experiment(*vows, graded, thorough=True)
    assert told in " ".join(found.against) or (wrong == "breaks" and not found.shown.differs)
