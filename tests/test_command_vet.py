"""`wirevow vet` as a person runs it: findings, a summary, a status. The rules have tests of their own."""

import json
from importlib.resources import files

import pytest

from wirevow.emu import command

TARN = files("wirevow.spec").joinpath("tarn.yaml")


def test_the_demo_document_is_sound(capfd):
    assert command.run(["vet", str(TARN)]) == 0
    shown = capfd.readouterr().out
    assert shown.startswith("tarn ")
    assert shown.endswith("sound: no rule is broken\n")


def test_a_ready_document_goes_by_its_name(capfd):
    assert command.run(["vet", "tarn"]) == 0
    assert capfd.readouterr().out.startswith("tarn ")


def test_a_broken_rule_is_shown_with_its_line_and_ends_with_one(tmp_path, capfd):
    text = TARN.read_text()
    broken = tmp_path / "broken.yaml"
    # A name of a state that does not exist; any one rule will do.
    assert "to: tripped" in text
    broken.write_text(text.replace("to: tripped", "to: tript", 1))
    line = text[: text.index("to: tripped")].count("\n") + 1
    assert command.run(["vet", str(broken)]) == 1
    first = capfd.readouterr().out.splitlines()[0]
    assert first.startswith(f"{broken}:{line}: error: ")
    assert "tript" in first


@pytest.mark.parametrize(
    ("content", "place"), [("vow: [", ":1: "), ("- a\n- b\n", ":1: "), ("", ": "), (None, ": ")]
)
def test_what_is_no_document_is_one_error_on_stderr(content, place, tmp_path, capfd):
    document = tmp_path / "draft.yaml"
    if content is not None:
        document.write_text(content)
    assert command.run(["vet", str(document)]) == 2
    shown = capfd.readouterr()
    assert shown.out == ""
    assert shown.err.startswith(f"wirevow: {document}{place}")
    assert shown.err.count("\n") == 1


def test_what_the_plant_lacks_is_an_error_with_the_nearest_name(tmp_path, capfd):
    text = TARN.read_text()
    broken = tmp_path / "broken.yaml"
    broken.write_text(text.replace("signal: input.current", "signal: input.curent"))
    assert command.run(["vet", str(broken)]) == 1
    assert 'has no signal input.curent: write "input.current" [plant-signal]' in capfd.readouterr().out


def test_the_names_of_the_plant_are_listed_with_units_and_meanings(capfd):
    assert command.run(["vet", "brae", "--names"]) == 0
    shown = capfd.readouterr().out.splitlines()
    assert shown[0] == "plant room"
    assert [line.split()[:3] for line in shown if "room.temperature" in line] == [
        ["room.temperature", "Cel", "what"]
    ]
    assert any("window" in line and "closed | open" in line for line in shown)
    assert command.run(["vet", "brae", "--names", "--json"]) == 0
    told = json.loads(capfd.readouterr().out)
    assert told["controls"]["heater"] == {
        "unit": "1",
        "low": 0.0,
        "high": 1.0,
        "means": "share of the heater's full drive",
    }
