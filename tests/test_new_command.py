"""`wirevow new` writes documents that are sound, keep what they promise and say how to go on."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from wirevow.emu import checking
from wirevow.emu.commands.new import BEGINNINGS, command
from wirevow.emu.loading import sound
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import compile_vow


@pytest.fixture(autouse=True)
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def new(*words):
    done = CliRunner().invoke(command, words, catch_exceptions=False)
    assert done.exit_code == 0
    return done.output


@pytest.mark.parametrize("like", BEGINNINGS)
def test_what_is_written_is_checked_without_a_fault(like):
    assert "go on with:  wirevow check mine.yaml emu://mine.yaml" in new("mine", "--like", like)
    loaded = sound("mine.yaml")
    assert loaded.document.vow.name == "mine"
    ended = checking.run(
        loaded,
        compile_vow(loaded.document),
        "emu://mine.yaml",
        rig=None,
        seed=0,
        envelope=None,
        budget=None,
        extra_states=0,
    )
    assert (ended.outcome.verdict, ended.outcome.breaches) == ("pass", ())


def test_nothing_is_written_over():
    Path("mine.py").write_text("mine\n")
    with pytest.raises(WirevowError, match=r"mine\.py: there is such a file already"):
        new("mine", "--like", "bath")
    assert [file.name for file in Path.cwd().iterdir()] == ["mine.py"]


@pytest.mark.parametrize("name", ["Mine", "my box", "../mine", "1st", "", "x" * 25])
def test_a_name_is_a_word(name):
    with pytest.raises(WirevowError, match="a name is up to 24 small letters"):
        new(name)
