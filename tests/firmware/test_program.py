"""Firmware as a program of this machine: what `wirevow generate firmware` writes, built by its Makefile."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from wirevow.emu import command
from wirevow.emu.direct import direct_tester
from wirevow.emu.firmware.program import ProgramError, ProgramInstrument
from wirevow.emu.firmware.start import start
from wirevow.emu.plant.registry import fitted
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.selection import selected
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import Vow, compile_vow

SPEC = Path(__file__).parents[2] / "spec"
EXAMPLE = Path(__file__).parents[1] / "examples" / "firmware" / "bath" / "app.c"
MILLISECOND_NS = 1_000_000


@pytest.fixture(scope="module")
def mere() -> Vow:
    return compile_vow(fitted(load_document(SPEC / "bath.yaml")))


def built(
    vow: Vow, doc: str, folder: Path, app: Path | None = None, options: str = "", what: str = "host"
) -> Path:
    """The program, or the chip's binary, of `app` or of what the beginning has in its place."""
    tools = {"host": ("make", "gcc"), "chip": ("make", "avr-gcc")}
    for tool in tools[what]:
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed: apt-get install make gcc gcc-avr avr-libc")
    start(vow, doc, folder)
    if app is not None:
        shutil.copy(app, folder / "app.c")
    strict = "CFLAGS=-std=c99 -O2 -Wall -Wextra -Wconversion -Wshadow -pedantic -Werror"
    done = subprocess.run(
        ["make", "-C", str(folder), what, f"OPTIONS={options}", *([strict] if what == "host" else [])],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert "warning" not in done.stderr
    return folder / "build" / ("host" if what == "host" else "chip.elf")


@pytest.fixture(scope="module")
def own(mere: Vow, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(mere, "bath", tmp_path_factory.mktemp("own"), EXAMPLE)


def accused(mere: Vow, program: Path) -> list[str]:
    """What a check of the settings finds first."""
    tester = direct_tester(mere, ProgramInstrument(mere, program))
    only = selected(sorted(campaign.blank(tester).findings), ("point.bath.wanted.*",))
    report = campaign.run(tester, reduce=False, until_failure=True, only=only)
    return [each.requirement for each in report.failures]


def talk(box: ProgramInstrument, *lines: str) -> list[str]:
    """The answers to lines, all at this instant."""
    box.take()
    box.receive("".join(f"{line}\n" for line in lines).encode(), box.now_ns)
    return box.take().decode().splitlines()


def test_the_baths_own_firmware_keeps_its_document(own: Path, capfd: pytest.CaptureFixture[str]) -> None:
    arguments = ["check", "bath", f"emu://bath?firmware={own}"]
    for section in ("wire.boot", "wire.store", "state.*", "trip.*.fires", "law.*", "point.*"):
        arguments += ["--only", section]
    assert command.run(arguments) == 0, capfd.readouterr().out


@pytest.mark.parametrize("correction", ["", " -DCORRECTS"])
def test_firmware_that_refuses_or_corrects_a_lawful_value_is_accused(
    mere: Vow, tmp_path: Path, correction: str
) -> None:
    """The document says when a setting can be put, and to what; what firmware adds to that breaks it."""
    found = accused(mere, built(mere, "bath", tmp_path, EXAMPLE, f"-DMERE_ACCEPTS{correction}"))
    assert found
    assert all(each.startswith("point.bath.wanted.") for each in found), found


def test_firmware_that_corrects_without_a_word_is_accused(mere: Vow, tmp_path: Path) -> None:
    app = tmp_path / "silent.c"
    changed = "void mere_app_changed(void)\n{\n"
    assert changed in EXAMPLE.read_text()
    correction = "    mere_settings.narrow[&MERE_BATH_WANTED - mere_settings.narrow] &= 0xFFFEU;\n"
    app.write_text(EXAMPLE.read_text().replace(changed, changed + correction))
    found = accused(mere, built(mere, "bath", tmp_path / "firmware", app))
    assert found
    assert all(each.startswith("point.bath.wanted.") for each in found), found


def test_firmware_that_corrects_what_an_action_sets_is_accused(mere: Vow, tmp_path: Path) -> None:
    app = tmp_path / "stubborn.c"
    corrected = "*value = *value / 10 * 10;"
    assert corrected in EXAMPLE.read_text()
    app.write_text(EXAMPLE.read_text().replace(corrected, "*value += *value == 370 ? 10 : 0;"))
    box = ProgramInstrument(
        mere, built(mere, "bath", tmp_path / "firmware", app, "-DMERE_ACCEPTS -DCORRECTS")
    )
    assert talk(box, "put bath.wanted 41.0 Cel", f"act {mere.document.trial.reset}", "ask bath.wanted")[
        1:
    ] == [
        "ok",
        "ok 38.0 Cel",
    ]
    assert accused(mere, tmp_path / "firmware" / "build" / "host")


def test_the_beginning_of_every_demo_is_built_and_answers(tmp_path: Path) -> None:
    for name in ("bath", "brae"):
        vow = compile_vow(fitted(load_document(SPEC / f"{name}.yaml")))
        box = ProgramInstrument(vow, built(vow, name, tmp_path / name))
        assert talk(box, "ask self.vow") == [f"ok {' '.join(vow.identity)}"]


def test_it_is_built_for_the_chip_from_the_same_folder(mere: Vow, tmp_path: Path) -> None:
    assert built(mere, "bath", tmp_path, EXAMPLE, what="chip").stat().st_size > 1000


def test_what_is_the_users_is_left_as_it_is(mere: Vow, tmp_path: Path) -> None:
    start(mere, "bath", tmp_path)
    (tmp_path / "app.c").write_text("/* mine */\n")
    (tmp_path / "core" / "host.c").write_text("/* old */\n")
    kept = {path.name for path, kept in start(mere, "bath", tmp_path) if kept}
    assert kept == {"Makefile", "app.c", "board.c"}
    assert (tmp_path / "app.c").read_text() == "/* mine */\n"
    assert (tmp_path / "core" / "host.c").read_text() != "/* old */\n"


def test_its_store_and_nothing_else_outlives_a_loss_of_power(mere: Vow, own: Path) -> None:
    box = ProgramInstrument(mere, own)
    assert (
        talk(box, "put bath.ceiling 70.0 Cel", "act store.keep", "put bath.wanted 41.0 Cel")[-1]
        == "ok 41.0 Cel"
    )
    box.power(False, box.now_ns + MILLISECOND_NS)
    assert talk(box, "ask self.vow") == []
    box.power(True, box.now_ns + 10 * MILLISECOND_NS)
    box.advance(box.now_ns + MILLISECOND_NS)
    assert talk(box, "ask bath.ceiling", "ask bath.wanted", "ask self.boots") == [
        "ok 70.0 Cel",
        "ok 37.0 Cel",
        "ok 2",
    ]


def test_its_time_and_its_readings_are_the_plants(mere: Vow, own: Path) -> None:
    box = ProgramInstrument(mere, own)
    ticket = talk(box, "act bath.prepare")[0].split()[1]
    assert talk(box, f"act bath.start {ticket}") == ["ok"]
    box.advance(box.now_ns + 60 * 10**9)
    power, energy, uptime = (
        answer.split()[1] for answer in talk(box, "ask bath.power", "ask bath.energy", "ask self.uptime")
    )
    assert power == "1200"
    assert abs(float(energy) - 20.0) <= 0.1
    assert uptime == "60.0"
    box.bench("level", 0.1, box.now_ns)
    box.advance(box.now_ns + 2 * 10**9)
    assert any(line.startswith("note") and "trip dry" in line for line in box.take().decode().splitlines())
    box.bench("link.transmitter", "stalled", box.now_ns)
    assert talk(box, "ask self.state") == []
    box.bench("link.transmitter", "free", box.now_ns)
    assert box.take() == b"ok faulted\n"


@pytest.mark.parametrize(
    ("program", "why"),
    [
        ("echo hello", "not of this link"),
        ("echo firmware 2 mere 0 18 60; cat > /dev/null", "version 2 of the link"),
        ("echo firmware 1 mere 00000000 18 60; cat > /dev/null", "generate its core anew"),
        ("echo no sensor >&2; exit 3", "status 3: no sensor"),
        ("kill -SEGV $$", "signal 11"),
    ],
)
def test_a_program_that_does_not_keep_to_the_link_is_one_clear_error(
    mere: Vow, tmp_path: Path, program: str, why: str
) -> None:
    script = tmp_path / "program"
    script.write_text(f"#!/bin/sh\nread asked\n{program}\n")
    script.chmod(0o755)
    with pytest.raises(ProgramError, match=why):
        ProgramInstrument(mere, script)


def test_a_program_that_hangs_is_one_clear_error(
    mere: Vow, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = tmp_path / "program"
    script.write_text("#!/bin/sh\nread asked\nexec sleep 60\n")
    script.chmod(0o755)
    monkeypatch.setattr("wirevow.emu.firmware.program.ANSWER_S", 0.2)
    with pytest.raises(ProgramError, match="it hangs in `hello`"):
        ProgramInstrument(mere, script)
