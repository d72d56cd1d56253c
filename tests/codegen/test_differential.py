"""The generated core and the Python device half answer the same, line for line."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.codegen.build import SANITIZERS, build_library, have, run
from tests.codegen.differential import Difference, compare
from tests.codegen.test_core import DOCUMENTS
from wirevow.protocol.codegen.c import generate
from wirevow.protocol.document.load import load_document, read_document
from wirevow.protocol.vow import compile_vow

ROOT = Path(__file__).parents[2]
LINES = 5000

pytestmark = pytest.mark.skipif(not have("gcc"), reason="gcc is not installed: apt-get install gcc")


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_no_difference_on_random_lines(path: Path, tmp_path: Path) -> None:
    """Under the address and undefined-behaviour sanitizers, which end the process at the first finding."""
    library = build_library(compile_vow(load_document(path).document), tmp_path, ["-O1", *SANITIZERS])
    seed = int.from_bytes(os.urandom(4), "big") if "CI" not in os.environ else 1
    environment = {
        **os.environ,
        "LD_PRELOAD": run(["gcc", "-print-file-name=libasan.so"]).strip(),
        "ASAN_OPTIONS": "detect_leaks=0",  # the interpreter's own
    }
    done = subprocess.run(
        [sys.executable, "-m", "tests.codegen.differential", str(path), "--library", str(library),
         "--lines", str(LINES), "--seed", str(seed)],
        cwd=ROOT, env=environment, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, f"seed {seed}\n{done.stdout}\n{done.stderr}"


TARN, _, _, LOFT, _ = DOCUMENTS


def test_no_difference_on_a_larger_document(tmp_path: Path) -> None:
    """More states than 16 bits hold, and more bytes of programs and of a record than 8 bits count."""
    states = "".join(
        f"  spare{at}: {{means: Spare., outputs: {{motor: 0, flap: open}}}}\n" for at in range(9)
    )
    points = "".join(
        f"  extra.a{at}: {{means: More., quantity: flow, access: set, default: 0, "
        f'high: "aim.most - {20 * at + 1000} + shift * {at}"}}\n'
        for at in range(30)
    )
    series = "      - {name: long, type: i32, from: raw, count: 70}\n"
    text = LOFT.read_text(encoding="utf-8")
    for place, more in (
        ("  stuck: {means", states),
        ("  image: {means", points),
        ("      - {name: raw", series),
    ):
        assert text.count(place) == 1
        text = text.replace(place, more + place)
    text = text.replace("to: five, repeat", "to: five, does: [{capture: image}], repeat")
    vow = compile_vow(read_document(text).document)
    core = generate(vow)["loft_vow.c"]
    for large in ("uint32_t states_t", "PROGRAM_PLACES[]", "uint16_t place_t"):
        assert large in core
    options = ["-O1", "-fsanitize=undefined", "-fno-sanitize-recover=all"]
    pair = compare(vow, build_library(vow, tmp_path, options), LINES, 1)
    assert pair.states["stuck"] > 0


@pytest.mark.parametrize(
    ("path", "right", "wrong"),
    [
        (LOFT, "rest + half >= grain - rest", "rest + half > grain - rest"),
        (TARN, "core.kept_line_length = 0;\n        if (core.tag_length", "if (core.tag_length"),
        (LOFT, "(core.ticket_left_ms == 0 || ", "("),
        (TARN, "        memset(&silence, 0, sizeof silence);\n", ""),
        (TARN, "LINE_LIMIT + 2)", "LINE_LIMIT + 1)"),
        (TARN, "held >= FLASH", "held > FLASH"),
        (TARN, "drop_oldest();\n            if (drops", "if (drops"),
        (TARN, "(rest >= right - rest)", "(rest > right - rest)"),
        (TARN, "return *text <= end;", "return true;"),
        (TARN, "(negative && any == 0)", "false"),
    ],
)
def test_a_slip_in_the_core_is_seen(path: Path, right: str, wrong: str, tmp_path: Path) -> None:
    vow = compile_vow(load_document(path).document)
    assert any(right in text for text in generate(vow).values()), f"{right!r} is not in the core: slip anew"
    library = build_library(vow, tmp_path, ["-O0"], {right: wrong})
    with pytest.raises(Difference):
        compare(vow, library, 40_000, 5)
