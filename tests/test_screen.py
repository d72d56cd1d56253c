"""What goes to a terminal steers nothing, and an output that cannot be used ends no command."""

import os
import pty
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import click
import pytest

from wirevow.emu import command
from wirevow.protocol.conformance.casefile import HEAD, CaseError, parse_case
from wirevow.protocol.document.load import DocumentError, load_yaml_model, read_document
from wirevow.protocol.document.model import Document
from wirevow.protocol.inputs import shown, unprintable

TARN = files("wirevow.spec").joinpath("tarn.yaml").read_text()
STEERING = ["\x1b", "\x07", "\r", "\x9b", "\x7f", "\x00", "\u202e", "\u2066", "\u200f", "\u061c", "\u2028"]
WORDS = ["plain", "±5 °C, 10 µV, Ω", "日本語", "tab\there", "two\nlines", "👩‍🔧"]
COMMAND = [sys.executable, "-c", "from wirevow.emu.command import main; main()"]


@pytest.mark.parametrize("character", STEERING, ids=ascii)
def test_what_steers_a_terminal_is_shown_as_what_it_is(character: str) -> None:
    assert unprintable(f"a{character}b") == f"U+{ord(character):04X}"
    assert shown(f"a{character}b") == "a" + character.encode("unicode_escape").decode() + "b"


@pytest.mark.parametrize("text", WORDS)
def test_words_of_any_language_are_left_as_they_are(text: str) -> None:
    assert unprintable(text) is None
    assert shown(text) == text


@pytest.mark.parametrize("character", STEERING, ids=ascii)
class TestModel:
    def quoted(self, character: str) -> str:
        code = ord(character)
        return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"

    def test_a_document_with_one_in_its_title_is_refused(self, character: str) -> None:
        text = TARN.replace("title: Tarn", f'title: "Tarn{self.quoted(character)}"\n  # Tarn', 1)
        assert text != TARN
        with pytest.raises(DocumentError, match=rf"U\+{ord(character):04X} is a control character"):
            read_document(text)

    def test_a_document_with_one_in_a_key_is_refused(self, character: str) -> None:
        with pytest.raises(DocumentError, match=rf"U\+{ord(character):04X} is a control character"):
            read_document(f'"vow{self.quoted(character)}": {{}}\n{TARN}')

    def test_a_model_made_in_a_program_refuses_one(self, character: str) -> None:
        data = read_document(TARN).document.model_dump(mode="json")
        data["vow"]["title"] = f"Tarn{character}Tarn"
        with pytest.raises(ValueError, match="does not belong in a text"):
            Document.model_validate(data)

    def test_a_case_file_with_one_is_refused(self, character: str) -> None:
        case = f"{HEAD}\ndocument tarn{character} 1\nrequirement wire.check\nseed 1\n"
        with pytest.raises(CaseError, match=rf"case:2: U\+{ord(character):04X} is a control character"):
            parse_case(case, "case")


def test_who_declares_an_envelope_cannot_steer_either(tmp_path: Path) -> None:
    from wirevow.protocol.conformance.envelope import Envelope

    path = tmp_path / "envelope.yaml"
    text = files("wirevow.spec").joinpath("envelopes/tarn-supply.yaml").read_text()
    begin = text.index("declared_by:")
    path.write_text(text[:begin] + 'declared_by: "me\\e[2J"' + text[text.index("\n", begin) :])
    with pytest.raises(DocumentError, match=r"U\+001B is a control character"):
        load_yaml_model(path, Envelope)


def test_the_words_of_the_yaml_reader_have_a_lines_length() -> None:
    for text in (
        "a: *" + "x" * 100_000,
        "%" + "x" * 100_000,
        "!" + "x" * 100_000 + " y",
        "- &" + "x" * 100_000,
    ):
        with pytest.raises(DocumentError) as caught:
            read_document(text)
        assert len(caught.value.message) < 250


def test_everything_that_is_printed_is_cleaned(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def trial() -> None:
        from wirevow.emu.screen import console

        click.echo("echo \x08")
        click.echo("error \u202e", err=True)
        print("print \x07")
        console().print("rich \x1b[2J \u202e")

    monkeypatch.setitem(command.COMMANDS, "trial", "Try something.")
    monkeypatch.setitem(sys.modules, "wirevow.emu.commands.trial", type(sys)("trial"))
    monkeypatch.setattr(
        sys.modules["wirevow.emu.commands.trial"], "command", click.command("trial")(trial), raising=False
    )
    assert command.run(["trial"]) == 0
    said = capfd.readouterr()
    assert said.out == "echo \\x08\nprint \\x07\nrich \\x1b[2J \\u202e\n"
    assert said.err == "error \\u202e\n"
    assert command.run(["trial", "\x1b[2J"]) == 2
    assert "\x1b" not in capfd.readouterr().err


def test_on_a_terminal_only_our_own_colours_pass(tmp_path: Path) -> None:
    program = (
        "from wirevow.emu.screen import console, screens\n"
        "from rich.text import Text\n"
        "with screens():\n"
        "    console().print(Text('red \\x1b[2J\\u202e', style='red'))\n"
    )
    main, terminal = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "0"}
    environment.pop("NO_COLOR", None)
    subprocess.run([sys.executable, "-c", program], stdout=terminal, env=environment, check=True)
    os.close(terminal)
    said = os.read(main, 4096)
    os.close(main)
    assert said.strip() == b"\x1b[31mred \\x1b[2J\\u202e\x1b[0m"


OUTPUTS = {"full": ">/dev/full", "closed": ">&-", "all closed": ">&- 2>&- <&-", "errors full": "2>/dev/full"}


@pytest.mark.parametrize("output", OUTPUTS)
@pytest.mark.parametrize(
    ("arguments", "status"),
    [("vet tarn", 0), ("check brae emu://brae --budget 100", 3), ("vet nowhere", 2), ("--help", 0)],
)
def test_an_output_that_cannot_be_used_changes_no_status(output: str, arguments: str, status: int) -> None:
    script = f"{' '.join(map(repr, COMMAND))} {arguments} {OUTPUTS[output]}"
    done = subprocess.run(["sh", "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == status
    assert "Traceback" not in done.stderr


def test_a_terminal_that_is_gone_ends_no_check() -> None:
    main, terminal = pty.openpty()
    with subprocess.Popen(
        [*COMMAND, "check", "brae", "emu://brae", "--budget", "2000"], stdout=terminal, stderr=terminal
    ) as process:
        os.close(terminal)
        os.close(main)
        assert process.wait(60) == 3


@pytest.mark.parametrize("columns", ["0", "1", "x", "-5", ""])
def test_a_width_that_is_none_is_not_taken(columns: str) -> None:
    done = subprocess.run(
        [*COMMAND, "check", "brae", "emu://brae", "--budget", "100"],
        capture_output=True,
        text=True,
        env={**os.environ, "COLUMNS": columns},
        check=False,
    )
    assert done.returncode == 3
    assert "inconclusive: brae" in done.stdout
