"""The pictures show what the plant did, and every mistake on the way to them is told in words."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.emu.test_bench import FOLDER
from wirevow.emu.bench import Bench
from wirevow.emu.commands.draw import command
from wirevow.emu.plant.pictures import discharge
from wirevow.protocol.document.load import load_document, load_yaml_model
from wirevow.protocol.errors import WirevowError

TARN = FOLDER.parent / "tarn.yaml"


def test_the_discharge_shows_the_whole_run() -> None:
    document = load_document(TARN).document
    bench = load_yaml_model(FOLDER / "lithium-pack.yaml", Bench).document
    figure = discharge(document, bench, 5.0, 9.0, 1)
    volts, current, _, fan, charge = figure.axes
    hours, drawn = (list(map(float, values)) for values in charge.lines[0].get_data())
    assert 0.8 < max(drawn) / 5.15 < 1.0
    running = [amps for amps in current.lines[0].get_ydata() if amps > 0.1]
    assert max(running) - min(running) < 0.01
    assert min(volts.lines[0].get_ydata()) == pytest.approx(9.0, abs=0.05)
    assert max(fan.lines[0].get_ydata()) >= 50.0
    assert hours == sorted(hours)


@pytest.mark.parametrize("suffix", ["png", "svg"])
def test_a_swing_is_written(tmp_path: Path, suffix: str) -> None:
    file = tmp_path / f"edge.{suffix}"
    done = CliRunner().invoke(command, ["swing", str(file)])
    assert done.exit_code == 0, done.output
    assert file.stat().st_size > 5_000


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["discharge", "run.doc"], ".png, .svg or .pdf"),
        (["discharge", "--bench", "hot-day", "run.png"], "does not drain"),
        (["discharge", "--bench", "window-open", "run.png"], "no bench event 'outside.temperature'"),
        (["discharge", "--doc", "brae", "run.png"], "no sink"),
    ],
)
def test_mistakes_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(command, words)
    assert isinstance(done.exception, WirevowError)
    assert said in str(done.exception)
