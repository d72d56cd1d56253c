"""Types of a document."""

from pathlib import Path

import pytest
from mypy import api

import wirevow
from wirevow.protocol.client.names import Tree
from wirevow.protocol.codegen.stubs import stubs

USE = """
import wirevow
from {name}_types import as_{name}
tarn = as_{name}(wirevow.connect("emu://{name}", "{name}"))
{line}
"""


@pytest.mark.parametrize("name", ["tarn", "brae"])
def test_the_same_document_gives_the_same_module_which_runs(name: str) -> None:
    vow = wirevow.load(name)
    text = stubs(vow)
    assert text == stubs(vow)
    space: dict[str, object] = {}
    exec(compile(text, "types", "exec"), space)
    assert callable(space[f"as_{name}"])
    for dotted in (*vow.points, *vow.actions):
        assert isinstance(Tree({dotted: 1})[dotted], int)
        assert f"def {dotted.rpartition('.')[2]}(self)" in text


def test_mypy_catches_a_call_that_is_not_awaited(tmp_path: Path) -> None:
    (tmp_path / "tarn_types.py").write_text(stubs(wirevow.load("tarn"), awaited=True))
    use = USE.replace("connect(", "connect_async(")
    for index, line in enumerate(["await tarn.sink.level.put(2.5)", "await tarn.sink.level.put('2.5')"]):
        text = use.format(name="tarn", line=f"async def work() -> None:\n    {line}")
        (tmp_path / f"use{index}.py").write_text(text)
    (tmp_path / "use2.py").write_text(use.format(name="tarn", line="level: float = tarn.sink.level.read()"))
    said, _, _ = api.run(
        ["--strict", "--no-incremental", "--follow-imports=silent", *map(str, sorted(tmp_path.glob("*.py")))]
    )
    assert "use0.py" not in said
    assert "use1.py" in said
    assert "use2.py" in said
    assert "tarn_types.py" not in said


def test_mypy_catches_a_wrong_name_a_wrong_word_and_a_wrong_unit(tmp_path: Path) -> None:
    (tmp_path / "tarn_types.py").write_text(stubs(wirevow.load("tarn")))
    lines = [
        'tarn.sink.mode.put("curent")',
        "tarn.sink.levle.read()",
        'unit: __import__("typing").Literal["A"] = tarn.input.voltage.unit',
        "tarn.input.voltage.put(1.0)",
    ]
    lines[2] = "if tarn.input.voltage.unit == 'A': pass"
    for index, line in enumerate(["tarn.sink.level.put(2.5)", *lines]):
        (tmp_path / f"use{index}.py").write_text(USE.format(name="tarn", line=line))
    said, _, _ = api.run(
        ["--strict", "--no-incremental", "--follow-imports=silent", *map(str, sorted(tmp_path.glob("*.py")))]
    )
    for index in range(1, 5):
        assert f"use{index}.py" in said
    assert "use0.py" not in said
    assert "tarn_types.py" not in said
