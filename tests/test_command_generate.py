"""`wirevow generate` as a person runs it."""

import json
import random
from importlib.resources import files

import jsonschema
import pytest
from abnf import ParseError, Rule

from wirevow.emu import command
from wirevow.emu.instrument import Instrument
from wirevow.emu.loading import load
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.schema import PATH, schema_text

TARN = files("wirevow.spec").joinpath("tarn.yaml")


def test_two_files_are_written_and_named(tmp_path, capfd):
    out = tmp_path / "core"
    assert command.run(["generate", "c", "tarn", "--out", str(out)]) == 0
    written = [out / "tarn_vow.h", out / "tarn_vow.c"]
    assert capfd.readouterr().out.splitlines() == [str(path) for path in written]
    first = [path.read_bytes() for path in written]
    assert command.run(["generate", "c", str(TARN), "--out", str(out)]) == 0
    assert [path.read_bytes() for path in written] == first


def test_an_unsound_document_is_refused_with_its_finding(tmp_path, capfd):
    broken = tmp_path / "broken.yaml"
    broken.write_text(TARN.read_text().replace("to: tripped", "to: tript", 1))
    assert command.run(["generate", "c", str(broken), "--out", str(tmp_path / "core")]) == 1
    assert "tript" in capfd.readouterr().err
    assert not (tmp_path / "core").exists()


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path, capfd):
    (tmp_path / "file").write_text("")
    assert command.run(["generate", "c", "tarn", "--out", str(tmp_path / "file")]) == 2
    assert len(capfd.readouterr().err.splitlines()) == 1


# ---------------------------------------------------------------------------------------------- grammar


@pytest.fixture(scope="module", params=["tarn", "brae"])
def spoken(request, tmp_path_factory):
    """A document's name, its grammar as the command writes it, loaded by an independent ABNF library."""
    out = tmp_path_factory.mktemp("grammar") / "lines.abnf"
    assert command.run(["generate", "grammar", request.param, "--out", str(out)]) == 0
    rules = type(f"{request.param}Rule", (Rule,), {})
    rules.load_grammar(out.read_text(encoding="utf-8"))
    return request.param, rules


def produced(rules, rule, line):
    try:
        rules(rule).parse_all(line)
    except ParseError:
        return False
    return True


def requests(vow):
    """A request for each point and action, a put of each setting's default among them."""
    for name, entry in vow.points.items():
        yield f"ask {name} 0" if entry.record else f"ask {name}"
        if entry.settable:
            yield f"put {name} {' '.join(entry.words(entry.default))}"
    for name, action in vow.actions.items():
        if ("reboot", "") in action.does:
            continue  # what comes while it boots is lost
        yield f"act {name} 0000" if action.takes_ticket else f"act {name}"


def test_every_line_of_a_simulated_session_is_in_the_grammar(spoken):
    name, rules = spoken
    vow = load(name)
    instrument = Instrument(vow)
    asked = list(requests(vow))
    random.Random(4).shuffle(asked)
    heard = []
    for turn, line in enumerate(asked, start=2):  # it has booted by then
        assert produced(rules, "plain-request", line), line
        instrument.receive(f"{line}\n".encode(), turn * NS_PER_S)
        instrument.advance(turn * NS_PER_S + NS_PER_S // 2)
        heard += instrument.take().decode("ascii").splitlines()
    assert len(heard) >= len(asked)
    for line in heard:
        assert produced(rules, "reply", line) != produced(rules, "notice", line), line


def test_near_misses_are_not_in_the_grammar(spoken):
    name, rules = spoken
    vow = load(name)
    for line in requests(vow):
        verb, rest = line.split(" ", 1)
        for missed in (f"{verb}  {rest}", f"{verb.upper()} {rest}", f"{line} ", f" {line}", f"{line} ~12",
                       f"@ {line}", f"@12345 {line}", f"{line}\t", f"{verb} no.{rest}"):  # fmt: skip
            assert not produced(rules, "plain-request", missed), missed
    for entry in vow.points.values():
        if entry.scale is not None and entry.settable:
            number, *unit = entry.words(entry.default)
            wrong = f"put {entry.name} {number} {'x' if unit else '1'}"
            assert not produced(rules, "plain-request", wrong), wrong
        if not entry.settable:
            assert not produced(rules, "plain-request", f"put {entry.name} 0"), entry.name


def test_the_grammar_is_printed_where_no_file_is_named(capfd):
    assert command.run(["generate", "grammar", "tarn"]) == 0
    assert capfd.readouterr().out.startswith("; The lines of tarn, version")


# ----------------------------------------------------------------------------------------------- schema


def test_the_schema_that_is_written_follows_from_the_model_as_the_one_in_the_specification_does(tmp_path):
    # That the file in the specification is this text is a test of its own.
    out = tmp_path / "document.json"
    assert command.run(["generate", "schema", "--out", str(out)]) == 0
    assert out.read_text(encoding="utf-8") == schema_text()


def test_an_editor_finds_a_description_or_words_to_choose_from_at_every_member():
    schema = json.loads(PATH.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    parts = {"Document": schema, **schema["$defs"]}
    bare = [
        f"{part}.{name}"
        for part, shape in parts.items()
        for name, member in shape.get("properties", {}).items()
        if not member.keys() & {"description", "enum", "const"}
        and "description" not in parts.get(member.get("$ref", "").rpartition("/")[2], {})
    ]
    assert bare == []


@pytest.mark.parametrize("what", [["grammar", "tarn"], ["schema"]], ids=lambda what: what[0])
def test_a_file_that_cannot_be_written_is_one_line(what, tmp_path, capfd):
    assert command.run(["generate", *what, "--out", str(tmp_path / "none" / "file")]) == 2
    assert len(capfd.readouterr().err.splitlines()) == 1
