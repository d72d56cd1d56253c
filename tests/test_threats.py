"""The threat model (`spec/threats.md`): every sentence has a test; here are those without another place."""

import re
import tracemalloc
from importlib.resources import files
from pathlib import Path

import pytest

from wirevow.protocol.codegen.c import generate
from wirevow.protocol.document.load import DocumentError, read_document
from wirevow.protocol.expression import ExpressionError, parse
from wirevow.protocol.framing import Framer, Overlong
from wirevow.protocol.vow import compile_vow

HERE = Path(__file__).parent
PAGE = files("wirevow.spec").joinpath("threats.md").read_text()
TARN = files("wirevow.spec").joinpath("tarn.yaml").read_text()
ROWS = [
    tuple(cell.strip() for cell in line.strip("|").split("|"))
    for line in PAGE.splitlines()
    if line.startswith("|") and not line.startswith(("|---", "| sentence"))
]


@pytest.mark.parametrize(("sentence", "test"), ROWS, ids=[row[0][:50] for row in ROWS])
def test_every_sentence_names_a_test_that_there_is(sentence: str, test: str) -> None:
    found = re.fullmatch(r"`([a-z_/]+\.py)::(test_\w+)`", test)
    assert found is not None, f"{sentence} names no test"
    assert re.search(rf"^ *def {found[2]}\(", (HERE / found[1]).read_text(), re.MULTILINE), (
        f"there is no {test}"
    )


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os').system('true')",
        "().__class__",
        "(lambda: 1)()",
        "[1 for x in y]",
        "open('/etc/passwd')",
        "9 ** 9 ** 9 ** 9",
        "f'{1}'",
    ],
)
def test_a_formula_runs_nothing(text: str) -> None:
    with pytest.raises(ExpressionError):
        parse(text)
    begin = TARN.index("when: ")
    with pytest.raises(DocumentError):
        read_document(TARN[:begin] + f'when: "{text}"' + TARN[TARN.index("\n", begin) :])


@pytest.mark.parametrize("text", ["Tarn */ int evil; /* x", "Tarn ??/ x", "Tarn \\\\", "Tarn // x"])
def test_a_text_is_no_code_in_the_generated_c(text: str) -> None:
    begin = TARN.index("title: ")
    document = TARN[:begin] + f'title: "{text}"' + TARN[TARN.index("\n", begin) :]
    document = re.sub(
        r"means: [A-Z][a-z ]+\.?$", lambda found: f'means: "{text}"', document, flags=re.MULTILINE
    )
    for name, content in generate(compile_vow(read_document(document).document)).items():
        if name.endswith((".c", ".h")):
            code = re.sub(r"/\*.*?\*/", "", content, flags=re.DOTALL)
            assert "Tarn" not in code
            assert "evil" not in code
            assert not re.search(r"(\\|\?\?/)\n", content.replace(" \\\n", "")), (
                "a comment ends in a continuation"
            )


def test_a_line_without_end_takes_no_more_memory_than_a_line() -> None:
    piece = b"x" * 4096
    framer = Framer(64, None)
    tracemalloc.start()
    for _ in range(2000):
        assert framer.feed(piece, 0) == []
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 10 * len(piece)
    assert framer.feed(b"\nask self.vow\n", 0) == [Overlong(64), b"ask self.vow"]
