"""Mutants of the reference firmware: named so that a list of them lasts, tried so that none does harm."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from wirevow.emu import command
from wirevow.emu.audit import Trial
from wirevow.emu.firmware.build import demo_vow
from wirevow.emu.firmware.mutants.excused import Excuse, StaleError, change, excuses
from wirevow.emu.firmware.mutants.operators import KINDS, Mutant, mutants_of
from wirevow.emu.firmware.mutants.score import Fate, as_json, score, told
from wirevow.emu.firmware.mutants.trials import trials
from wirevow.emu.firmware.mutants.workshop import Workshop, heaps

SOURCE = """\
#include <stdbool.h>
static const int table[] = { 7, 0x0F };
int first(int a, int b)
{
    if (a < b && !b) {
        ++a;
    }
    return a + 10U;
}
bool second(int a)
{
    a = a << 1;
    return true;
}
"""


def changes(source: str) -> set[tuple[str, str]]:
    return {(mutant.kind, mutant.after) for mutant in mutants_of("some.c", source)}


def test_every_kind_changes_what_it_says() -> None:
    assert changes(SOURCE) == {
        ("table", "static const int table[] = { 8, 0x0F };"),
        ("table", "static const int table[] = { 6, 0x0F };"),
        ("table", "static const int table[] = { 7, 0x10 };"),
        ("table", "static const int table[] = { 7, 0xe };"),
        ("relational", "if (a <= b && !b) {"),
        ("relational", "if (a >= b && !b) {"),
        ("logical", "if (a < b || !b) {"),
        ("negation", "if (!(a < b && !b)) {"),
        ("unary", "if (a < b && b) {"),
        ("deletion", ";"),
        ("update", "--a;"),
        ("arithmetic", "return a - 10U;"),
        ("constant", "return a + 11U;"),
        ("constant", "return a + 9U;"),
        ("bitwise", "a = a >> 1;"),
        ("constant", "a = a << 2;"),
        ("constant", "a = a << 0;"),
        ("truth", "return false;"),
    }
    assert {kind for kind, _ in changes(SOURCE)} == set(KINDS)


def test_a_mutant_is_the_source_with_one_change() -> None:
    for mutant in mutants_of("some.c", SOURCE):
        before, after = SOURCE.splitlines(), mutant.applied(SOURCE).splitlines()
        differing = [index for index in range(len(before)) if before[index] != after[index]]
        assert differing == [mutant.line - 1]


def test_text_that_only_looks_like_code_is_left_alone() -> None:
    assert changes('/* a < b */ // c + 1\n#define TWO 2\nconst char *text = "a + b";\nint32_t x4;\n') == set()


def names(source: str, function: str) -> list[str]:
    return [mutant.name for mutant in mutants_of("some.c", source) if mutant.function == function]


def test_names_outlive_changes_elsewhere() -> None:
    moved = SOURCE.replace("int first", "/* new */\nstatic int extra = 3;\n\nint first").replace("    ", "\t")
    assert names(moved, "first") == names(SOURCE, "first")
    edited = SOURCE.replace("a << 1", "a << 3")
    assert names(edited, "first") == names(SOURCE, "first")
    assert not {name for name in names(SOURCE, "second") if "bitwise" in name} & set(names(edited, "second"))


def test_lines_that_are_alike_are_told_apart() -> None:
    twice = "void f(int a)\n{\n    a = 1;\n    ++a;\n    a = 2;\n    ++a;\n    a = 3;\n}\n"
    found = names(twice, "f")
    assert len(set(found)) == len(found)
    # Another of them could take an excuse over: all lose their names.
    more = twice.replace("a = 3;\n", "a = 3;\n    ++a;\n")
    assert [name for name in names(more, "f") if ":update:" in name][:2] == [
        name for name in found if ":update:" in name
    ]
    only = twice.replace("    a = 2;\n    ++a;\n", "    a = 2;\n")
    assert not {name for name in names(only, "f") if ":update:" in name} & set(found)


def test_mutants_are_drawn_in_an_order_that_changes_elsewhere_leave_alone() -> None:
    edited = SOURCE.replace("a << 1", "a << 3")
    orders = [
        [[mutant.name for mutant in heap if mutant.function != "second"] for heap in heaps(mutants)]
        for mutants in (mutants_of("some.c", SOURCE), mutants_of("some.c", edited))
    ]
    assert orders[0] == orders[1]
    assert len(orders[0]) == len(KINDS)


# ---------------------------------------------------------------------------------------- the list of excuses


@pytest.fixture
def some() -> list[Mutant]:
    return mutants_of("some.c", SOURCE)


def listing(folder: Path, name: str, does: str) -> Path:
    path = folder / "excused.yaml"
    path.write_text(f'outside:\n- reason: not promised\n  mutants:\n    {name}: "{does}"\n')
    return path


def test_an_excuse_holds_for_the_mutant_it_names(some: list[Mutant], tmp_path: Path) -> None:
    path = listing(tmp_path, some[0].name, change(some[0]))
    assert excuses(some, path) == {some[0].name: Excuse("outside", "not promised", change(some[0]))}


@pytest.mark.parametrize("stale", ["name", "change"])
def test_an_excuse_of_what_is_no_more_is_an_error(some: list[Mutant], tmp_path: Path, stale: str) -> None:
    name = some[0].name if stale == "change" else "some.c:first:update:00000000"
    does = change(some[0]) if stale == "name" else "something else"
    with pytest.raises(StaleError, match=name):
        excuses(some, listing(tmp_path, name, does))


# ---------------------------------------------------------------------------------------------- the firmware


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    return Workshop(demo_vow(), tmp_path_factory.mktemp("mutants"))


def test_the_excuses_are_of_mutants_that_there_are(workshop: Workshop) -> None:
    assert excuses(workshop.mutants)


def find(workshop: Workshop, file: str, before: str, after: str, function: str) -> Mutant:
    wanted = file, before, after, function
    (mutant,) = (
        each for each in workshop.mutants if (each.file, each.before, each.after, each.function) == wanted
    )
    return mutant


def test_what_compiles_to_the_same_is_no_mutant(workshop: Workshop) -> None:
    other = find(workshop, "cool.c", "left = 720;", "left = 721;", "look")
    assert workshop.build(replace(other, replacement="719 + 1")) is None
    assert workshop.build(replace(other, replacement="no C")) is None
    assert workshop.build(other) is not None


def harmful(workshop: Workshop, statement: str) -> tuple[str, Path]:
    """A mutant that no operator makes."""
    victim = find(workshop, "swing.c", "++passed;", ";", "swing_step")
    built = workshop.build(
        replace(victim, name=f"swing.c:swing_step:{len(statement)}", replacement=statement)
    )
    assert built is not None
    return built.mutant.name, built.library


def test_mutants_are_detected_by_promise_crash_or_hang(workshop: Workshop) -> None:
    path = Path("spec/tarn.yaml")
    wrong = workshop.build(find(workshop, "app.c", "measure();", ";", "firmware_millisecond"))
    assert wrong is not None
    tasks = [
        (wrong.mutant.name, wrong.library),
        harmful(workshop, "*(volatile int *)0 = 0;"),
        harmful(workshop, "for (;;) { ++*(volatile int32_t *)&passed; }"),
    ]
    found = {trial.fault: trial for trial in trials(path, tasks, 0, 2, 600.0, hang_s=2.0)}
    assert [found[name].outcome for name, _ in tasks] == ["failure", "crash", "hang"]
    assert all(trial.detected for trial in found.values())


def test_a_check_that_takes_too_long_is_no_detection(workshop: Workshop) -> None:
    (trial,) = trials(Path("spec/tarn.yaml"), [(None, workshop.original())], 0, 1, 1.0)
    assert (trial.outcome, trial.detected) == ("timeout", False)


# ------------------------------------------------------------------------------------------------- the score


def fates(some: list[Mutant]) -> Iterator[Fate]:
    yield Fate(some[0], Trial(some[0].name, 0, "failure", 70, 1.0, "wire.tag"))
    yield Fate(some[1], Trial(some[1].name, 0, "crash", 0, 1.0))
    yield Fate(some[2], Trial(some[2].name, 0, "failure", 90, 1.0, "wire.tag"))
    yield Fate(some[3], Trial(some[3].name, 0, "passed", 900, 1.0))
    yield Fate(some[4], None, Excuse("equivalent", "because", ""))
    yield Fate(some[5], None, Excuse("outside", "because", ""))


def test_the_excused_are_neither_detected_nor_survivors(some: list[Mutant]) -> None:
    found = score(fates(some))
    assert (found.mutants, found.detected, found.crashed, found.equivalent, found.outside) == (6, 3, 1, 1, 1)
    assert (found.share, found.share_with_outside) == (0.75, 0.6)
    assert (found.median_lines, found.most_lines) == (80, 90)
    text = "\n".join(told(list(fates(some))))
    assert some[3].name in text
    assert some[4].name not in text


def test_a_known_hole_is_a_survivor_until_it_is_found(some: list[Mutant]) -> None:
    hole = Excuse("hole", "nobody looks there", "")
    missed, found = (Trial(some[0].name, 0, outcome, 9, 1.0) for outcome in ("passed", "failure"))
    assert score([Fate(some[0], missed, hole)]).share == 0
    assert "nobody looks there" in "\n".join(told([Fate(some[0], missed, hole)]))
    assert score([Fate(some[0], found, hole)]).share == 1
    assert "strike it out" in "\n".join(told([Fate(some[0], found, hole)]))


def test_the_json_tells_every_fate(some: list[Mutant]) -> None:
    clean = Trial(None, 0, "passed", 900, 1.0)
    found = as_json(demo_vow(), 0, clean, list(fates(some)), True)
    assert [fate["name"] for fate in found["fates"]] == [mutant.name for mutant in some[:6]]
    assert found["scores"]["all"]["share"] == 0.75
    assert set(found["scores"]["files"]) == {"some.c"}


def test_audit_says_whose_firmware_it_is(capfd: pytest.CaptureFixture[str]) -> None:
    assert command.run(["audit", "brae", "--firmware"]) == 2
    assert "tarn" in capfd.readouterr().err
    assert command.run(["audit", "tarn", "--firmware", "--holdout"]) == 2
    assert "--holdout" in capfd.readouterr().err
