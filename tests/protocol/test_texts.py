"""Points that always answer the same words, and the digits in them that every instrument has of its own."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.codegen.build import have, run
from wirevow.protocol.codegen.c import generate, write
from wirevow.protocol.document.load import DocumentError, load_document, read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.vow import Vow, compile_vow

SPEC = Path(__file__).parents[2] / "spec"
TEXT = (SPEC / "skerry.yaml").read_text(encoding="utf-8")
SERIAL = 'text: "SK-####"'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('text: "a  b"', "one space between"),
        ('text: "~1"', "none beginning with ~"),
        ("text: ä", "printable ASCII"),
        ('text: "SK-####", quantity: count', "exactly one of quantity, choice, record, text"),
        ('text: "SK-####", system: boots', "a text comes from nowhere"),
        ('text: "SK-####", access: set, default: 1', "a text never changes"),
        (f'text: "{"x" * 41}"', "40 characters or less"),
    ],
)
def test_a_text_that_cannot_be_is_one_clear_error(text: str, said: str) -> None:
    with pytest.raises(DocumentError) as wrong:
        read_document(TEXT.replace(SERIAL, text), "it.yaml")
    assert said in wrong.value.message
    assert "it.yaml:" in wrong.value.message


def test_a_formula_cannot_look_at_a_text_nor_a_trip_report_it() -> None:
    for old, new in (
        ("when: adapter.voltage > 85", "when: self.serial > 85"),
        ("reports: heat.fins", "reports: self.serial"),
    ):
        assert vet(read_document(TEXT.replace(old, new, 1))).errors


@pytest.mark.parametrize(
    ("guard", "sound"),
    [
        ("link.guard == 'on'", True),
        ("\"'on' == link.guard and load.current > 0\"", True),
        ("link.guard != 'on'", False),
        ("\"link.guard == 'on' or load.current > 0\"", False),
        ("load.current > 0", False),
    ],
)
def test_power_without_a_ticket_takes_checks(guard: str, sound: bool) -> None:
    found = vet(read_document(TEXT.replace("link.guard == 'on'", guard)))
    assert ("energise-ticket" in {each.code for each in found.errors}) != sound


def vow() -> Vow:
    return compile_vow(load_document(SPEC / "skerry.yaml").document)


@pytest.mark.skipif(not have("gcc"), reason="gcc is not installed: apt-get install gcc")
def test_the_build_of_one_instrument_gives_it_its_own_digits(tmp_path: Path) -> None:
    write(generate(vow()), tmp_path)
    build = ["gcc", "-std=c99", "-c", "skerry_vow.c"]
    run([*build, '-DSKERRY_TEXT_SELF_SERIAL="SK-0042"'], tmp_path)
    assert b"SK-0042" in (tmp_path / "skerry_vow.o").read_bytes()
    longer = subprocess.run(
        [*build, '-DSKERRY_TEXT_SELF_SERIAL="SK-00042"'], cwd=tmp_path, capture_output=True, text=True
    )
    assert "texts_are_as_long_as_promised" in longer.stderr
