"""A document that names what its plant does not have is refused before anything is simulated, at the line."""

from pathlib import Path

import pytest

from wirevow.emu.plant.registry import fitted
from wirevow.protocol.document.load import DocumentError, read_document

SPEC = Path(__file__).parents[2] / "spec"
TARN = (SPEC / "tarn.yaml").read_text(encoding="utf-8")
BRAE = (SPEC / "brae.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize("text", [TARN, BRAE], ids=["tarn", "brae"])
def test_the_documents_fit(text: str) -> None:
    loaded = read_document(text, "good.yaml")
    assert fitted(loaded) is loaded.document


@pytest.mark.parametrize(
    ("text", "old", "new", "said"),
    [
        (TARN, "drives: level.current", "drives: level.curent", 'level.curent: write "level.current"'),
        (TARN, "drives: mode", "drives: slew", "slew takes a number: use a quantity in A/s"),
        (TARN, "drives: slew", "drives: fan.mode", "fan.mode takes a word: use a choice of auto, manual"),
        (TARN, "signal: input.voltage", "signal: input.volt", 'no signal input.volt: write "input.voltage"'),
        (TARN, "stage: hold}", "stage: held}", 'stage cannot be held: write "hold"'),
        (BRAE, "outputs: {heater: 1}", "outputs: {heater: 2}", "heater cannot be 2: write a number from"),
        (BRAE, "outputs: {heater: 1}", "outputs: {heat: 1}", 'no control heat: write "heater"'),
        (BRAE, "[closed, open], base: closed", "[shut, open], base: shut", "window cannot be shut"),
    ],
)
def test_a_misfit_is_told_at_its_line(text: str, old: str, new: str, said: str) -> None:
    assert text.count(old) >= 1
    line = text[: text.index(old)].count("\n") + 1
    with pytest.raises(DocumentError) as error:
        fitted(read_document(text.replace(old, new, 1), "bad.yaml"))
    first = error.value.message.splitlines()[0]
    assert first.startswith(f"bad.yaml:{line}: ")
    assert said in first
