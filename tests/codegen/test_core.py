"""Generated cores compile without a warning, are the same every time, and what C cannot carry is said."""

from __future__ import annotations

import ctypes
from pathlib import Path

import pytest

from tests.codegen.build import WARNINGS, Core, build_library, have, run
from wirevow.protocol.codegen.c import generate, write
from wirevow.protocol.codegen.names import GenerateError
from wirevow.protocol.codegen.tables import tables
from wirevow.protocol.document.load import load_document, read_document
from wirevow.protocol.vow import Vow, compile_vow

SPEC = Path(__file__).parents[2] / "spec"
HUTCH = Path(__file__).parents[1] / "protocol" / "hutch.yaml"
DOCUMENTS = (
    SPEC / "tarn.yaml",
    SPEC / "brae.yaml",
    HUTCH,
    Path(__file__).parent / "loft.yaml",
    SPEC / "skerry.yaml",
)

# Some of gcc's warnings need the optimiser; the others all come from the front end.
COMPILERS = {
    "gcc": ["gcc", "-std=c99", "-O1", "-c"],
    "g++": ["g++", "-x", "c++", "-std=c++11", "-fsyntax-only"],
    "clang": ["clang", "-std=c99", "-fsyntax-only"],
    "clang++": ["clang++", "-x", "c++", "-std=c++11", "-fsyntax-only"],
    "avr-gcc": ["avr-gcc", "-std=c99", "-Os", "-mmcu=atmega328p", "-c"],
    "avr-g++": ["avr-g++", "-x", "c++", "-std=c++11", "-mmcu=atmega328p", "-fsyntax-only"],
}
PACKAGES = {
    "gcc": "gcc",
    "g++": "g++",
    "clang": "clang",
    "clang++": "clang",
    "avr-gcc": "gcc-avr avr-libc",
    "avr-g++": "gcc-avr avr-libc",
}


def vow(path: Path) -> Vow:
    return compile_vow(load_document(path).document)


@pytest.mark.parametrize("compiler", COMPILERS)
def test_cores_compile_without_a_warning(compiler: str, tmp_path: Path) -> None:
    if not have(compiler):
        pytest.skip(f"{compiler} is not installed: apt-get install {PACKAGES[compiler]}")
    sources = []
    for path in DOCUMENTS:
        sources += [str(file) for file in write(generate(vow(path)), tmp_path) if file.suffix == ".c"]
    run([*COMPILERS[compiler], *WARNINGS, "-Wshadow", *sources], tmp_path)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_a_core_is_the_same_every_time(path: Path) -> None:
    assert generate(vow(path)) == generate(vow(path))


def test_files_that_are_right_already_are_left_alone(tmp_path: Path) -> None:
    files = generate(vow(SPEC / "brae.yaml"))
    first = [path.stat().st_mtime_ns for path in write(files, tmp_path)]
    assert [path.stat().st_mtime_ns for path in write(files, tmp_path)] == first
    (tmp_path / "brae_vow.c").write_text("something else", encoding="utf-8")
    write(files, tmp_path)
    assert (tmp_path / "brae_vow.c").read_text(encoding="utf-8") == files["brae_vow.c"]


def test_a_core_has_neither_heap_nor_float_nor_stdio() -> None:
    for path in DOCUMENTS:
        for text in generate(vow(path)).values():
            for word in ("malloc", "float", "double", "stdio", "printf"):
                assert word not in text.split()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("room.least:", "room_least:", None),
        (
            "link.silence:    {",
            "room_wanted: {means: Two., quantity: count, access: set, default: 0}\n  link.silence: {",
            "room_wanted",
        ),
        ("seconds: {unit: s, step: 1,", "seconds: {unit: s, step: 0.0001,", "step of a clock"),
        ("idle_typing: 30 s", "idle_typing: 1500 us", "whole milliseconds"),
        ("gives_ticket: 10 s", "gives_ticket: 1500 us", "milliseconds"),
    ],
)  # fmt: skip
def test_what_c_cannot_carry_is_said(old: str, new: str, message: str | None) -> None:
    text = (SPEC / "brae.yaml").read_text(encoding="utf-8")
    assert old in text
    changed = text.replace(old, new)
    if message is None:
        changed = changed.replace("room.least", "room_least")
        assert generate(compile_vow(read_document(changed).document))
        return
    changed = changed.replace("high: 999999999}", "high: 9999}")
    with pytest.raises(GenerateError, match=message):
        generate(compile_vow(read_document(changed).document))


def test_an_application_that_is_asked_refuses_with_a_reason_and_corrects(tmp_path: Path) -> None:
    if not have("gcc"):
        pytest.skip("gcc is not installed: apt-get install gcc")
    tarn = vow(SPEC / "tarn.yaml")
    library = build_library(tarn, tmp_path, [*WARNINGS, "-DTARN_ACCEPTS"])
    core = Core(library, "tarn")
    loaded = ctypes.CDLL(str(library))
    verdict = ctypes.c_uint8.in_dll(loaded, "host_verdict")
    shift = ctypes.c_int32.in_dll(loaded, "host_shift")
    core.boot(0)
    core.drain()
    assert core.exchange(b"put sink.level 2.500 A\n") == b"ok 2.500 A\n"
    for reason, answer in ((1, b"refuse state off\n"), (2, b"refuse range 0.000 6.000 A\n")):
        verdict.value = reason
        assert core.exchange(b"put sink.level 1.234 A\n") == answer
        assert core.exchange(b"ask sink.level\n") == b"ok 2.500 A\n"
    assert core.exchange(b"put sense.mode remote\n") == b"refuse type choice\n"
    # What the wire itself keeps is not asked for.
    assert core.exchange(b"put link.notices on\n") == b"ok on\n"
    verdict.value = 0
    shift.value = -34
    assert core.exchange(b"put sink.level 1.234 A\n") == b"ok 1.200 A\n"
    shift.value = 1_000_000  # beyond the limits: held inside them; there is no such word: left as it is
    assert core.exchange(b"put sink.level 1.234 A\n") == b"ok 6.000 A\n"
    assert core.exchange(b"put sense.mode remote\n") == b"ok remote\n"
    # At the front panel, too.
    point = [row.name for row in tables(tarn).names].index("sink.level")
    core.call("panel_control", 1)
    assert core.call("panel_put", point, 1500) & 0xFF
    verdict.value = 1
    assert not core.call("panel_put", point, 1500) & 0xFF
    # And what actions set.
    core.call("panel_control", 0)
    core.drain()
    verdict.value, shift.value = 0, 0
    for line in (b"put sink.level 2.000 A\n", b"act settings.save\n", b"put sink.level 3.000 A\n"):
        assert core.exchange(line).startswith(b"ok")
    for action in (b"act settings.recall\n", b"act settings.defaults\n"):
        verdict.value = 1
        assert core.exchange(action) == b"ok\n"
        assert core.exchange(b"ask sink.level\n") == b"ok 3.000 A\n"
    verdict.value, shift.value = 0, 5
    assert core.exchange(b"act settings.defaults\n") == b"ok\n"
    assert core.exchange(b"ask sink.level\n") == b"ok 0.005 A\n"


def test_an_application_that_is_asked_may_refuse_what_an_action_puts(tmp_path: Path) -> None:
    if not have("gcc"):
        pytest.skip("gcc is not installed: apt-get install gcc")
    library = build_library(vow(SPEC / "skerry.yaml"), tmp_path, [*WARNINGS, "-DSKERRY_ACCEPTS"])
    core = Core(library, "skerry")
    verdict = ctypes.c_uint8.in_dll(ctypes.CDLL(str(library)), "host_verdict")
    core.boot(0)
    core.drain()
    before = core.exchange(b"ask load.ceiling\n")
    verdict.value = 1
    core.exchange(b"act preset.lamp\n")
    assert core.exchange(b"ask load.ceiling\n") == before
    verdict.value = 0
    core.exchange(b"act preset.lamp\n")
    assert core.exchange(b"ask load.ceiling\n") != before
