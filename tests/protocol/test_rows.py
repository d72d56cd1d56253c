"""Points that are rows, and actions that take the number of a row."""

from __future__ import annotations

from pathlib import Path

import pytest

from wirevow.emu.emulation import emulate
from wirevow.emu.instrument import Instrument
from wirevow.protocol.client.failures import Refused
from wirevow.protocol.codegen.c import generate
from wirevow.protocol.document.load import DocumentError, read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.message import check_of
from wirevow.protocol.vow import compile_vow

SPEC = Path(__file__).parents[2] / "spec"
TEXT = (SPEC / "skerry.yaml").read_text(encoding="utf-8")
ROW = "  preset.p#.current: {means"
RECALL = "load.current: {from: preset.p#.current}}}]"
ROWS = "rows: {level: program.r#.current, lasts: program.r#.time, used: program.rows}"
LIMITED = TEXT.replace(
    'load.current: {means: "Current to draw.", quantity: level,',
    'load.current: {means: "Current to draw.", quantity: level, high: load.ceiling * 100,',
)


def test_a_row_is_a_point_like_any_other() -> None:
    loaded = read_document(TEXT)
    rows = [name for name in loaded.document.points if name.endswith(".current") and "preset" in name]
    assert rows == [f"preset.p{row}.current" for row in range(4)]
    assert loaded.document.points[rows[2]].means == "The current of preset 2."
    line = loaded.marks.line("points", "preset.p3.current")
    assert TEXT.splitlines()[line - 1].startswith(ROW)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (ROW, "  preset.p#.c#: {means", "cannot be a name in points"),
        (ROW, "  preset.p.current: {means", "many is for a name with one #"),
        ('preset #.", many: 4, quantity', 'preset #.", many: 1, quantity', "many is 1: write 2 or more"),
        ('preset #.", many: 4, quantity', 'preset #.", quantity', '# is for points with "many"'),
        (ROW, '  preset.p2.current: {means: "Two.", text: two}\n' + ROW, "is a row of preset.p#.current"),
        (ROW, ROW.replace("means", "savd: true, means"), "unknown key"),
    ],
)
def test_what_is_no_row_is_one_clear_error(old: str, new: str, said: str) -> None:
    assert TEXT.count(old) == 1
    with pytest.raises(DocumentError, match=said) as caught:
        read_document(TEXT.replace(old, new))
    assert len([each for each in caught.value.problems if said in each.message]) == 1


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        (RECALL, RECALL.replace("p#.current", "q#.current"), "row-number"),
        (RECALL, RECALL.replace("preset.p#.current", "load.voltage"), "put-from"),
        (RECALL, RECALL.replace("preset.p#.current", "adapter.current"), "not-a-setting"),
        (RECALL, RECALL.replace("preset.p#.current", "load.mode"), "put-from"),
        ('preset.", many: 4, from: [rest], does', 'preset.", many: 5, from: [rest], does', "row-number"),
        ('preset.", many: 4, from: [rest], does', 'preset.", from: [rest], does', "row-number"),
        ('Keep the settings.", from: [rest],', 'Keep.", many: 2, from: [rest],', "row-number"),
        # Of a law about a list: levels, times, and no more rows than there are.
        (ROWS, ROWS.replace("r#.time", "q#.time"), "row-number"),
        (ROWS, ROWS.replace("program.r#.time", "preset.p#.mode"), "not-a-reading"),
        (ROWS, ROWS.replace("program.r#.time", "program.r#.current"), "law-units"),
        (ROWS, ROWS.replace("used: program.rows", "used: program.rounds"), "row-number"),
        ("steps: adapter.current", "steps: adapter.voltage", "law-units"),
    ],
)
def test_numbers_and_rows_fit(old: str, new: str, code: str) -> None:
    assert TEXT.count(old) == 1
    assert code in {each.code for each in vet(read_document(TEXT.replace(old, new))).errors}


def test_what_is_put_at_another_row_has_one_for_each_number_too() -> None:
    other = '  other.q#.level: {means: "Another.", many: 2, quantity: level, access: set, default: 100}\n'
    put = RECALL.replace(
        "load.current: {from: preset.p#.current}", "preset.p#.current: {from: other.q#.level}"
    )
    (found,) = vet(read_document(TEXT.replace(ROW, other + ROW).replace(RECALL, put))).errors
    assert (found.code, found.remedy) == ("row-number", "write many: 2 in the action")
    assert "other.q#.level has no row for each number" in found.message


def test_a_limit_has_to_allow_what_another_setting_may_be() -> None:
    """The ceiling may be 1 W, and then a current of 100 mA at most: a preset of 2 A would be beyond it."""
    assert "put-limit" in {each.code for each in vet(read_document(LIMITED)).errors}


def test_a_host_gives_the_number() -> None:
    with emulate(SPEC / "skerry.yaml") as run:
        device = run.client
        device.load.current.put(700)
        device.preset.keep(2)
        device.load.current.put(100)
        device.preset.recall(2)
        assert device.load.current.read() == 700
        with pytest.raises(Refused):
            device.preset.recall(4)
        assert "number, 0 to 3" in repr(device.preset.recall)


def test_what_a_document_does_not_use_is_not_in_its_core() -> None:
    tarn = generate(compile_vow(read_document((SPEC / "tarn.yaml").read_bytes()).document))["tarn_vow.c"]
    assert "OF_ROW" not in tarn
    assert "NUMBERS" not in tarn


def test_a_list_is_stepped_through_as_often_as_it_says_and_then_left() -> None:
    box = Instrument(compile_vow(read_document(TEXT).document))
    now_ns = 10**9

    def say(line: str) -> str:
        box.receive(f"{line} ~{check_of(line.encode())}\n".encode(), now_ns)
        return box.take().decode().rpartition("ok ")[2].partition(" ~")[0]

    box.advance(now_ns)
    for row, (level, seconds) in enumerate(((300, "1.0"), (900, "0.5"), (600, "2.0"))):
        say(f"put program.r{row}.current {level} mA")
        say(f"put program.r{row}.time {seconds} s")
    say("put program.rows 3")
    say("put program.rounds 2")
    say("act load.program")
    seen = []
    for wait_ms in (900, 500, 1000, 1200, 700, 400, 1500):
        now_ns += wait_ms * 10**6
        box.advance(now_ns)
        seen.append((round(int(say("ask adapter.current").split()[0]), -1), int(say("ask program.at"))))
    assert seen == [(300, 0), (900, 1), (600, 2), (300, 0), (300, 0), (900, 1), (600, 2)]
    box.advance(now_ns + 10**9)
    now_ns += 10**9
    assert say("ask self.state") == "rest"
