"""Slips of the machine's code: they are made as their names say, and the originals stay as they are."""

from __future__ import annotations

import ast
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from tests.campaign.operators import OPERATORS, SHARED, SLIPPING, changed, slip_named, slips
from tests.campaign.slips import attempt, build_slip, caught_by, copied, excused
from tests.codegen.build import build_library
from wirevow.emu.audit import vow_at
from wirevow.emu.executor import results
from wirevow.protocol.device import Device
from wirevow.protocol.errors import WirevowError

TARN = str(Path("spec/tarn.yaml").resolve())
FRAMING = list(slips("framing"))
NOT_THE_UNIT = "device:Device._unit/halved/1"


def test_every_slip_has_a_name_of_its_own_and_changes_the_code() -> None:
    assert len({slip.name for slip in FRAMING}) == len(FRAMING) > 40
    good = copied(None)["framing"].Framer.feed.__code__
    feeding = [slip for slip in FRAMING if ":Framer.feed/" in slip.name]
    codes = {const for slip in feeding for const in changed(slip).co_consts if const != good}
    assert len(codes) > len(feeding) // 2


def test_each_operator_makes_some() -> None:
    made = {slip.name.split("/")[1] for module in SLIPPING for slip in slips(module)}
    assert made == {*OPERATORS, "exchanged"}


def test_a_slip_tells_its_line_and_what_is_otherwise() -> None:
    slip = slip_named(NOT_THE_UNIT)
    was, _, now = slip.change.partition(" -> ")
    assert was != now
    source = Path("protocol/device.py").read_text(encoding="utf-8").splitlines()
    assert ast.unparse(ast.parse(source[slip.line - 1].strip().removeprefix("return "))) in slip.change


@pytest.mark.parametrize("name", ["nowhere:f/dropped/1", "device:Device._unit/dropped/99"])
def test_a_slip_that_is_not_there_is_an_error(name: str) -> None:
    with pytest.raises(WirevowError, match="slip"):
        slip_named(name)


def test_the_copy_has_the_slip_and_the_original_has_not() -> None:
    vow = vow_at(TARN)
    before = Device._unit.__code__
    box = build_slip(vow, NOT_THE_UNIT)
    box.receive(b"put sink.level 0.500 A\n", 0)
    assert b"refuse unit A" in box.take()
    assert Device._unit.__code__ is before


def test_the_checker_finds_one_and_says_what_breaks() -> None:
    trial = attempt((TARN, NOT_THE_UNIT, 0))
    assert trial.outcome == "failure"
    assert trial.requirement in ("wire.unit", "point.sink.level.default")


def test_a_slip_of_both_views_is_caught_without_the_check(tmp_path: Path) -> None:
    library = build_library(vow_at(TARN), tmp_path, ["-O1"])
    tasks = [(TARN, NOT_THE_UNIT, str(library))]
    assert [by for _, by in results(caught_by, tasks, ended=lambda _, ended: str(ended))] == ["vectors"]


def test_what_is_excused_is_there() -> None:
    names = [slip.name for module in SHARED for slip in slips(module)]
    for pattern, why in excused("tarn").items():
        assert any(fnmatchcase(name, pattern) for name in names), pattern
        assert why, pattern
