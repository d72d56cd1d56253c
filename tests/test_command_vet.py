"""`wirevow vet` as a person runs it: findings, a summary, a status. The rules have tests of their own."""

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
