"""A dialect and wire version 1, byte for byte: what is asked, what is answered, and what is never made up."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.dialect.box import MS, phrasebook, sluice
from wirevow.emu.ports.address import find
from wirevow.protocol.dialect.file import Phrasebook, load_phrasebook
from wirevow.protocol.dialect.translate import Translator
from wirevow.protocol.document.load import DocumentError
from wirevow.protocol.message import Request

TEXT = find("sluice", "dialects").read_text()


def changed(tmp_path: Path, *changes: tuple[str, str]) -> Phrasebook:
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "dialect.yaml"
    path.write_text(text)
    return load_phrasebook(path, sluice())


class Wires:
    """A translator between a host and firmware whose lines are given."""

    def __init__(self, book: Phrasebook) -> None:
        self.translator = Translator(book)
        self.now_ns = 0

    def host(self, line: str) -> str:
        """What the host sends; what the firmware gets of it."""
        self.translator.receive(line.encode() + b"\n", self.now_ns)
        return self.translator.for_firmware().decode()

    def firmware(self, line: str) -> tuple[str, str]:
        """What the firmware sends; what the host gets of it, and what the firmware gets again."""
        self.translator.hear(line.encode() + b"\r\n", self.now_ns)
        return self.translator.for_host().decode(), self.translator.for_firmware().decode()

    def wait(self, ns: int) -> tuple[str, str]:
        self.now_ns += ns
        self.translator.advance(self.now_ns)
        return self.translator.for_host().decode(), self.translator.for_firmware().decode()


@pytest.fixture
def wires() -> Wires:
    return Wires(phrasebook())


@pytest.mark.parametrize(
    ("request_", "asked", "said", "answer"),
    [
        ("ask pump.rate", "R?", "R=12.5", "ok 12.5 mL/min"),
        ("@1f ask pump.rate", "R?", "R=12.5", "@1f ok 12.5 mL/min"),
        ("ask tank.level", "L?", "L=57%", "ok 0.57"),
        ("ask pump.soak", "P?", "P=1500", "ok 1.500 s"),
        ("ask pump.direction", "W?", "W=B", "ok backward"),
        ("ask self.state", "S?", "S=2", "ok running"),
        ("ask motor.temperature", "V?", "V 57 -3.5 12.5", "ok -3.5 Cel"),
        ("put pump.rate 12.5 mL/min", "R=12.5", "R=12.4", "ok 12.4 mL/min"),
        ("put pump.rate 99.0 mL/min", "R=99.0", "E1", "refuse range"),
        ("put pump.direction backward", "W=B", "E2", "refuse state"),
        ("act pump.start", "G", "OK", "ok"),
        ("act fault.clear", "X", "E4", "refuse unsaid"),
        ("ask pump.rate", "R?", "R=1e5", "? R=1e5"),
        ("ask pump.rate", "R?", "ok 12.5 mL/min", "? ok 12.5 mL/min"),
    ],
)
def test_one_request_and_its_answer(wires: Wires, request_: str, asked: str, said: str, answer: str) -> None:
    assert wires.host(request_) == f"{asked}\r\n"
    assert wires.firmware(said) == (f"{answer}\n", "")


def test_a_put_that_answers_no_value_is_asked_back(wires: Wires) -> None:
    assert wires.host("@2 put pump.dose 250 mL") == "D=250\r\n"
    assert wires.firmware("OK") == ("", "D?\r\n")
    assert wires.firmware("D=249") == ("@2 ok 249 mL\n", "")


def test_a_put_that_nothing_answers_is_asked_back_at_once_and_its_refusal_is_heard(wires: Wires) -> None:
    assert wires.host("put pump.soak 0.250 s") == "P=250\r\nP?\r\n"
    assert wires.firmware("P=250") == ("ok 0.250 s\n", "")
    assert wires.host("put pump.soak 9.999 s") == "P=9999\r\nP?\r\n"
    assert wires.firmware("E1") == ("", "")
    assert wires.firmware("P=250") == ("refuse range\n", "")


def test_an_action_that_nothing_answers_is_done_if_the_state_is_answered_next(wires: Wires) -> None:
    assert wires.host("act store.reset") == "Z\r\nS?\r\n"
    assert wires.firmware("S=0") == ("ok\n", "")
    assert wires.host("act store.reset") == "Z\r\nS?\r\n"
    assert [wires.firmware("E2"), wires.firmware("S=2")] == [("", ""), ("refuse state\n", "")]


def test_where_nothing_can_be_asked_back_that_is_said(tmp_path: Path) -> None:
    book = changed(tmp_path, ('ask: "D?", says: "D={value}", ', ""))
    wires = Wires(book)
    wires.host("put pump.dose 250 mL")
    assert wires.firmware("OK") == ("ok unsaid\n", "")
    assert book.unsaid() == ["pump.dose"]


def test_what_does_not_come_is_not_made_up_and_what_comes_late_is_nobody_elses_answer(wires: Wires) -> None:
    wires.host("ask pump.rate")
    assert wires.host("ask pump.ceiling") == ""
    assert wires.wait(100 * MS) == ("", "")
    assert wires.wait(1) == ("", "")
    assert wires.firmware("C=12.5") == ("", "")
    assert wires.wait(100 * MS) == ("", "C?\r\n")
    assert wires.firmware("C=30.0") == ("ok 30.0 mL/min\n", "")


def test_what_a_line_looks_like_is_the_adapters_own_business(wires: Wires) -> None:
    own = {
        "ask self.vow": f"ok {' '.join(sluice().identity)}",
        "ask no.such": "refuse unknown",
        "ask self.boot_cause": "refuse unknown",
        "ask  self.state": "refuse syntax",
        "put tank.level 0.10": "refuse access",
        "put pump.rate 12 mL/min": "refuse type digits 1",
        "put pump.rate 12.0 m": "refuse unit mL/min",
        "put pump.direction up": "refuse type choice",
        "act pump.start 12ab": "refuse type none",
    }
    for line, answer in own.items():
        assert wires.host(line) == ""
        assert wires.translator.for_host().decode() == f"{answer}\n"


def test_checks_turn_the_guard_on_and_the_same_tagged_line_is_not_done_again(wires: Wires) -> None:
    line = Request("@7", "act", "pump.prime", (), True).line().decode()
    assert wires.host(line) == "B\r\n"
    answer, _ = wires.firmware("OK")
    assert answer.startswith("@7 ok ~")
    assert wires.host(line) == ""
    assert wires.translator.for_host().decode() == answer
    assert wires.host("act pump.stop") == ""
    assert wires.translator.for_host().startswith(b"refuse check ~")


def test_what_the_firmware_says_unasked_is_passed_over_or_shown(wires: Wires) -> None:
    assert wires.firmware("# sluice 1.3") == ("", "")
    assert wires.firmware("HELP\x07") == ("? HELP?\n", "")


def test_one_question_may_tell_several_values(tmp_path: Path) -> None:
    wires = Wires(changed(tmp_path, ('ask: "L?", says: "L={value}%"', 'ask: "V?", says: "V {value} {_}"')))
    assert wires.host("ask tank.level") == "V?\r\n"
    assert wires.firmware("V 57 -3.5 12.5") == ("ok 0.57\n", "")


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        (
            "  - {says: E2, reason: state}",
            '  - {says: "E{_}", reason: state}',
            13,
            "'E{_}' and 'E1' (line 12)",
        ),
        ("took: OK, words: {forward", 'took: "E{_}", words: {forward', 30, "'E{_}' and 'E1'"),
        ('put: "C={value}"', 'put: "R={value}"', 27, "the same request fits"),
        ("pump.dose: {", "pump.dosis: {", 28, "write pump.dose"),
        ("{tank.level}", "{tank.lever}", 25, "write tank.level"),
        ("tickets, ", "tockets, ", 9, "write tickets"),
        ("tags, ", "", 9, "add tags to lacks"),
        ("took: OK, words", "taken: OK, words", 30, "taken"),
        (", self.boot_cause", "", 20, "nothing says how self.boot_cause is asked"),
        ("{forward: F", "{foreward: F", 30, "write forward"),
        ("backward: B}", "backward: F}", 30, "stands for two words"),
        ("unit: ms", "unit: A", 29, "write one of s, ms"),
        ('says: "N={value}"', "says: N", 23, "has no value in it"),
        ("document: sluice", "document: brook", 4, 'the document is "sluice"'),
        ("ends: crlf", "ends: both", 7, "crlf"),
        ('"S={value}"', '"S={value"', 21, "a brace begins or ends a field"),
        ("do: G,", "do: 'G{_}',", 34, "what {_} would be is not known"),
        ("says: E3", "says: ''", 14, "write 1 characters or more"),
        ("store.keep: {do: K", "store.keep: {do: Q", 38, "the same request fits 'Q' and 'Q'"),
    ],
)
def test_a_bad_dialect_is_one_clear_error_with_its_place(
    tmp_path: Path, old: str, new: str, line: int, words: str
) -> None:
    with pytest.raises(DocumentError) as wrong:
        changed(tmp_path, (old, new))
    assert words in wrong.value.message
    assert f":{line}: " in wrong.value.message
