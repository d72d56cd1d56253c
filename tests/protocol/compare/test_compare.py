"""Two versions of a document compared: what is found, how it is judged, and that no judgement is wrong."""

import json
import re
import subprocess
from importlib.resources import files

import pytest

from wirevow.emu.command import run
from wirevow.emu.witness import experiment
from wirevow.protocol.compare.comparison import Comparison, compare, names_in
from wirevow.protocol.document.load import read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.journal.layout import Head, Kind, head_bytes, record_bytes
from wirevow.protocol.vow import compile_vow

TARN = files("wirevow.spec").joinpath("tarn.yaml").read_text()
OLD = read_document(TARN, "old.yaml")


def changed(*edits: tuple[str, str], version: str = "2.0.0") -> str:
    text = TARN.replace("version: 1.0.0", f"version: {version}", 1)
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def compared(*edits: tuple[str, str], version: str = "2.0.0") -> Comparison:
    new = read_document(changed(*edits, version=version), "new.yaml")
    assert not vet(new).errors
    return compare(OLD, new)


def told(comparison: Comparison) -> dict[str, str]:
    """Requirement -> grade, of what is not safe."""
    return {
        f"{each.effect.side} {each.requirement}": each.effect.grade
        for each in comparison.differences
        if each.effect.grade != "safe"
    }


def test_a_document_does_not_differ_from_itself():
    same = compare(OLD, read_document(TARN, "same.yaml"))
    assert not same.differences
    assert same.asked is None
    assert same.enough


LAYOUT = "{name: layout, type: u8, from: 1}\n      - {name: mode"
PARTS = "record: image, part_bytes: 24"


@pytest.mark.parametrize(
    ("edit", "breaks"),
    [
        (("{name: cue, type: u8", "{name: cue, type: i8"), False),  # two words: the byte is the same
        (("{name: low_time, type: u32", "{name: low_time, type: i32"), False),
        ((LAYOUT, LAYOUT.replace("from: 1", "from: 2")), True),
        ((PARTS, PARTS.replace("24", "20")), True),
    ],
)
def test_what_a_record_s_bytes_tell_a_host(edit, breaks):
    assert ("breaks" in {each.effect.grade for each in compared(edit).of("host")}) == breaks


def test_a_record_that_is_whole_in_one_part_does_not_change_with_their_length():
    begin, end = TARN.index("  image:\n    means: The settings in force"), TARN.index("promises:\n")
    short = "  image:\n    means: One.\n    fields:\n      - {name: layout, type: u8, from: 1}\n\n"
    text = TARN[:begin] + short + TARN[end:]
    old = read_document(text, "old.yaml")
    new = read_document(text.replace(PARTS, PARTS.replace("24", "20")), "new.yaml")
    assert {each.effect.grade for each in compare(old, new).of("host")} == {"safe"}


SLOWER = ("reply_deadline: 50 ms", "reply_deadline: 80 ms")
QUICKER = ("reply_deadline: 50 ms", "reply_deadline: 40 ms")
OVERPOWER = "when: input.power > limit.power * 1.1 + 2"
SHORTER_LINES = ("line_limit: 96", "line_limit: 90")
CELLS = "step: 1, low: 1, high: 8"
PATIENCE = "unit: s, step: 0.1, low: 0.5, high: 60.0"
TRIGGER = (
    "  swing.trigger:\n    means: A trigger by wire, as good as one on the trigger input.\n"
    "    from: [swinging]\n    does: [{pulse: swing.trigger}]\n    repeat: once\n"
)


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        (SLOWER, {"host wire.deadline": "may break"}),
        (QUICKER, {}),
        (SHORTER_LINES, {}),  # no line that Tarn answers ok has more than 55 bytes
        (("line_limit: 96", "line_limit: 100"), {}),
        (
            (OVERPOWER, "when: input.power > limit.power * 1.2 + 2"),
            {"bench trip.overpower.fires": "later", "host trip.overpower.fires": "may break"},
        ),
        (
            (OVERPOWER, "when: input.power > limit.power * 1.05 + 1"),
            {"bench trip.overpower.fires": "earlier", "host trip.overpower.fires": "may break"},
        ),
        (
            (CELLS, "step: 1, low: 1, high: 6"),
            {"host point.capacity.cells.bounds": "may break", "store point.capacity.cells": "lost"},
        ),
        ((PATIENCE, "unit: s, step: 0.1, low: 0.2, high: 90.0"), {}),
        ((TRIGGER, ""), {"host action.swing.trigger.effect": "breaks"}),
    ],
)
def test_a_change_is_judged_by_what_a_lawful_host_and_the_bench_see(edit, expected):
    assert told(compared(edit)) == expected


def test_both_places_and_the_condition_stand_beside_a_difference():
    found = compared(SLOWER).differences
    deadline = next(each for each in found if each.requirement == "wire.deadline")
    line = 1 + TARN[: TARN.index("reply_deadline")].count("\n")
    assert (deadline.old_place, deadline.new_place) == (f"old.yaml:{line}", f"new.yaml:{line}")
    assert deadline.effect.condition == "a host waits no longer than 50 ms"


def test_a_rename_is_offered_and_both_halves_are_told():
    found = compared(("  swing.trigger:\n", "  swing.cue_now:\n"))
    assert [(each.old, each.new) for each in found.renames] == [("swing.trigger", "swing.cue_now")]
    assert told(found) == {"host action.swing.trigger.effect": "breaks"}


@pytest.mark.parametrize(
    ("edit", "version", "part", "enough"),
    [
        (SLOWER, "1.1.0", "major", False),
        (SLOWER, "2.0.0", "major", True),
        (QUICKER, "1.0.0", "patch", False),
        (QUICKER, "1.0.1", "patch", True),
    ],
)
def test_the_version_has_to_rise_with_what_changed(edit, version, part, enough):
    found = compared(edit, version=version)
    assert (found.asked, found.enough) == (part, enough)


def test_only_what_a_host_names_counts_for_it():
    uses = names_in('box.read("input.voltage"); box.act("sink.stop")', OLD.document)
    assert uses == {"input.voltage", "sink.stop"}
    new = read_document(changed((TRIGGER, "")), "new.yaml")
    assert told(compare(OLD, new, uses)) == {}
    assert told(compare(OLD, new, {"swing.trigger"})) == {"host action.swing.trigger.effect": "breaks"}


def test_two_instruments_are_not_compared():
    brae = read_document(files("wirevow.spec").joinpath("brae.yaml").read_text(), "brae.yaml")
    with pytest.raises(WirevowError, match=r"brae.yaml: this is the document of brae, old.yaml that of tarn"):
        compare(OLD, brae)


def shown(edit: tuple[str, str], requirement: str) -> list[str]:
    """Where a difference is noticed, and where it is not."""
    new = read_document(changed(edit), "new.yaml")
    each = next(each for each in compare(OLD, new).of("host") if each.requirement == requirement)
    found = experiment(compile_vow(OLD.document), compile_vow(new.document), each, thorough=True)
    assert not found.against
    return [found.shown.differs, found.shown.holds, found.shown.not_shown]


def test_what_breaks_is_shown_by_the_shortest_exchange_that_both_answer_otherwise():
    exchange = """\
> act sink.arm
< ok f8ad
> act sink.start {ticket}
< ok
> act swing.begin
< ok
> act swing.trigger
< ok   (old)
< refuse unknown   (new)"""
    assert shown((TRIGGER, ""), "action.swing.trigger.effect") == [exchange, "", ""]


def test_what_may_break_is_shown_on_both_sides_of_its_condition():
    edit = (CELLS, "step: 1, low: 1, high: 6")
    assert shown(edit, "point.capacity.cells.bounds") == [
        "> put capacity.cells 8\n< ok 8   (old)\n< refuse range 1 6   (new)",
        "> put capacity.cells 1\n< ok 1",
        "",
    ]


def test_what_no_exchange_can_show_is_said_in_words():
    assert shown(SLOWER, "wire.deadline") == [
        "",
        "",
        "it is a promise of how good or how fast, and the simulated instrument keeps both",
    ]


def test_the_page_tells_what_protects_the_bench_first_and_needs_nothing_else(tmp_path, capfd):
    new, page = tmp_path / "new.yaml", tmp_path / "page.html"
    later = (OVERPOWER, "when: input.power > limit.power * 1.2 + 2")
    new.write_text(changed(later, (TRIGGER, ""), version="1.0.1"))
    assert run(["compare", "tarn", str(new), "--html", str(page)]) == 1
    text = page.read_text()
    order = [text.index(each) for each in ("later</span>", "breaks</span>", "trip.overpower.fires")]
    assert order == sorted(order)
    assert "&gt; act swing.trigger" in text
    assert "is too small" in text
    assert not re.search(r"https?://|<script|<link|@import|url\(", text)
    assert run(["compare", "tarn", str(new), "--html", str(new)]) == 2
    assert "name another file" in capfd.readouterr().err


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (TARN.replace("  version: 1\n", "  version: 2\n", 1), "new.yaml:21: wire.version is 2: write 1"),
        (TARN.replace("to: sinking", "to: sunk", 1), "there is no state sunk"),
        (TARN[:4000], "new.yaml"),
        ("", "the file is empty"),
    ],
)
def test_a_document_that_cannot_be_compared_is_one_clear_error(text, told, tmp_path, capfd):
    new = tmp_path / "new.yaml"
    new.write_text(text)
    assert run(["compare", "tarn", str(new)]) == 2
    shown = capfd.readouterr()
    assert told in shown.err
    assert shown.out == ""
    assert "Traceback" not in shown.err


def test_the_command_reads_versions_from_git_and_ends_with_a_status(tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    git = ["git", "-c", "user.name=A", "-c", "user.email=a@example.org"]
    subprocess.run([*git, "init", "-q"], check=True)
    (tmp_path / "box.yaml").write_text(TARN)
    subprocess.run([*git, "add", "."], check=True)
    subprocess.run([*git, "commit", "-qm", "Say what it promises"], check=True)
    assert run(["compare", "HEAD:box.yaml", "box.yaml"]) == 0
    assert capfd.readouterr().out == "nothing differs\n"
    (tmp_path / "box.yaml").write_text(changed(SLOWER))
    assert run(["compare", "HEAD:box.yaml", "box.yaml", "--json"]) == 1
    found = json.loads(capfd.readouterr().out)
    assert "wire.deadline" in [each["requirement"] for each in found["differences"]]
    assert run(["compare", "HEAD:none.yaml", "box.yaml"]) == 2
    assert "git does not have it" in capfd.readouterr().err
    assert run(["compare", "never:box.yaml", "box.yaml"]) == 2
    assert "git does not have it" in capfd.readouterr().err
    assert run(["compare", "HEAD:box.yaml", "box.yaml", "--uses", "none.py"]) == 2
    assert "none.py: there is no such file" in capfd.readouterr().err
    (tmp_path / "box.yaml").write_text(changed(("signal: input.voltage", "signal: input.volts")))
    subprocess.run([*git, "commit", "-qam", "Look for what the plant does not have"], check=True)
    assert run(["compare", "HEAD:box.yaml", "tarn"]) == 2
    assert "[plant-signal]; mend that version first" in capfd.readouterr().err


def test_only_what_a_recorded_host_asks_for_counts(tmp_path, capfd):
    new = tmp_path / "new.yaml"
    new.write_text(changed((PATIENCE, PATIENCE.replace("low: 0.5", "low: 1.0"))))
    journal = tmp_path / "bench.journal"
    head = head_bytes(Head(0, "/dev/ttyUSB0"))
    voltage = record_bytes(Kind.HOST, 1, b"@1 ask input.vol") + record_bytes(Kind.HOST, 2, b"tage\n")
    answer = record_bytes(Kind.DEVICE, 3, b"ok 12.003 V\nnote 1 trip link.patience 1\n")
    patience = record_bytes(Kind.HOST, 4, b"put link.patience 0.7 s\n")
    for said, status in ((voltage + answer, 0), (voltage + answer + patience, 1)):
        journal.write_bytes(head + said + record_bytes(Kind.END, 5, b"done"))
        assert run(["compare", "tarn", str(new), "--uses", str(journal)]) == status
        shown = capfd.readouterr()
        assert ("link.patience" in shown.out) == bool(status)
        assert shown.err == ""


def fates(comparison: Comparison) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for each in comparison.stored:
        found.setdefault(each.fate, set()).add(each.name)
    return found


def test_every_saved_setting_is_told_what_becomes_of_it():
    found = compared((CELLS, "step: 1, low: 1, high: 6"), ("  trim.level_shift:\n", "  trim.level_zero:\n"))
    assert fates(found)["lost"] == {"capacity.cells", "trim.level_shift"}
    assert fates(found)["new"] == {"trim.level_zero"}
    reasons = {each.name: each.reason for each in found.stored}
    assert reasons["capacity.cells"] == "it was 1 1 1 8, it is 1 1 1 6"
    assert reasons["trim.level_shift"] == "it is gone"
    assert len(fates(found)["kept"]) == sum(point.saved for point in OLD.document.points.values()) - 2


def test_a_layout_that_still_fits_is_told_by_what_it_would_be_taken_for():
    swapped = compared(
        ("  trim.voltage_shift:\n", "  trim.x:\n"),
        ("  trim.current_shift:\n", "  trim.voltage_shift:\n"),
        ("  trim.x:\n", "  trim.current_shift:\n"),
    )
    assert fates(swapped)["lost"] == {"trim.voltage_shift", "trim.current_shift"}
    unmarked = {each.name: each.unmarked for each in swapped.stored if each.unmarked}
    assert set(unmarked) == {"trim.voltage_shift", "trim.current_shift"}
    assert unmarked["trim.current_shift"] == "0.5000 V of trim.voltage_shift would be 0.5000 V"


def test_settings_that_limits_tie_to_a_changed_one_fall_with_it():
    found = compared(
        ("unit: A, step: 0.001, low: 0.100, high: 6.000", "unit: A, step: 0.001, low: 0.200, high: 6.000")
    )
    reasons = {each.name: each.reason for each in found.stored if each.fate == "lost"}
    assert (
        reasons["sink.level"]
        == "limits tie it to limit.current, which is not as it was; it falls to its default with that"
    )
    assert "trim.current_gain" not in reasons
