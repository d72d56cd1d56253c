"""Random documents: drawn sound, simulated as they say, and checked against themselves.

A few small ones here; `python -m tests.campaign.documents --random 300 --shrink` tries as many as you like.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.campaign.documents import random_documents, result_of
from tests.codegen.build import build_library
from tests.codegen.differential import compare
from wirevow.protocol.document.load import read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.vow import compile_vow

DRAWN = random_documents(30, 200)
SMALL = [each for each in DRAWN if len(each[1]) < 3500]
LINES = 1000
FOUND = sorted((Path(__file__).parent / "found").glob("*.yaml"))
"""Drawn ones of which the good instrument was accused once; the first line says of what kind it was."""


def test_almost_all_that_is_drawn_is_sound() -> None:
    sound = [name for name, text in DRAWN if not vet(read_document(text, name)).found]
    assert len(sound) >= 0.9 * len(DRAWN)


@pytest.mark.parametrize(("name", "text"), SMALL, ids=[name for name, _ in SMALL])
def test_an_instrument_passes_the_check_of_its_own_document(name: str, text: str) -> None:
    result = result_of(name, text)
    assert result.outcome in ("passed", "unsound"), f"{result.requirement}: {result.message}"


@pytest.mark.parametrize("path", FOUND, ids=[path.stem for path in FOUND])
def test_what_was_accused_once_passes(path: Path) -> None:
    result = result_of(path.stem, path.read_text(encoding="utf-8"))
    assert result.outcome == "passed", f"{result.requirement}: {result.message}"


@pytest.mark.parametrize(("name", "text"), SMALL[1:4], ids=[name for name, _ in SMALL[1:4]])
def test_the_core_agrees_with_the_simulation(name: str, text: str, tmp_path: Path) -> None:
    vow = compile_vow(read_document(text, name).document)
    compare(vow, build_library(vow, tmp_path, ["-O1"]), LINES, 1)


def test_a_condition_may_lead_to_a_state_that_time_ends() -> None:
    text = Path("spec/brae.yaml").read_text(encoding="utf-8")
    resting = text.index("  resting:")
    edited = text[:resting] + text[resting:].replace("to: warming", "to: ready", 1)
    assert result_of("brae", edited).outcome == "passed"
