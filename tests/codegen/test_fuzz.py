"""What must always hold of a generated core does, whatever libFuzzer makes it meet."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.codegen.fuzz import Fuzzer, missing
from tests.codegen.test_core import DOCUMENTS
from wirevow.protocol.codegen.c import generate
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import compile_vow

RUNS = 1500
TARN, _, _, LOFT, _ = DOCUMENTS

pytestmark = pytest.mark.skipif(missing() is not None, reason=missing() or "")


@pytest.mark.parametrize("path", [TARN, LOFT], ids=lambda path: path.stem)
def test_nothing_is_broken(path: Path, tmp_path: Path) -> None:
    fuzzer = Fuzzer(compile_vow(load_document(path).document), tmp_path)
    assert fuzzer.run(RUNS, 1) is None
    reached, whole = fuzzer.coverage().lines
    # So that it is known to get somewhere; `make fuzz` goes further.
    assert reached > 0.9 * whole


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ("core.ticket_left_ms == 0 || ", "", "ticket_ms > 0"),
        ("if (length <= LINE_LIMIT) {\n            core.line", "{\n            core.line", "out of bounds"),
    ],
)
def test_a_slip_in_the_core_is_seen(right: str, wrong: str, said: str, tmp_path: Path) -> None:
    vow = compile_vow(load_document(TARN).document)
    assert any(right in text for text in generate(vow).values()), f"{right!r} is not in the core: slip anew"
    told = Fuzzer(vow, tmp_path, {right: wrong}).run(20_000, 1)
    assert told is not None
    assert said in told
