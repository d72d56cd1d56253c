"""Every command's help has an example, and what it shows works as it stands."""

import contextlib
import importlib
import os
import re
import shlex
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from tests.readme import BLOCK, PAGES, ROOT, RUNNING
from wirevow.emu import command
from wirevow.emu.loading import load
from wirevow.emu.ports.address import find
from wirevow.protocol.journal.layout import Head, Kind, head_bytes, record_bytes

DEVICE = "/dev/ttyUSB0"
"""The port of a real instrument in the examples; here it is a simulated one."""
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}
RUNS = (*RUNNING, "adapt", "panel")
"""Commands that run until they are ended."""
SCOPE = {"check": ["--only", "wire.syntax"]}
"""Added here, so that an example takes little time."""
SMALLER = ("learn", "generate manual")
"""Commands that are run with the smaller document here."""
ELSEWHERE = {
    "wirevow audit brae --sample 12 --keep build/brae.jsonl": "tests/emu/test_mutants.py",
    "wirevow audit tarn --faults": "it takes minutes: `make campaign`, a part of it tests/emu/test_audit.py",
    "wirevow audit tarn --firmware --keep build/mutants.jsonl": "tests/firmware/test_mutants.py",
    "wirevow emulate tarn --firmware host": "it has to be compiled: tests/firmware",
    'wirevow check sluice "emu://sluice?dialect=sluice" --dialect sluice': "tests/dialect",
    "wirevow replay cases/sluice-0-wire.boot.case /dev/ttyUSB0 --dialect sluice": "tests/dialect",
    'wirevow check bath "emu://bath?firmware=mere/build/host"': "it has to be built: tests/firmware",
    "wirevow panel mine.yaml --port /dev/ttyUSB0": "it asks a person first: tests/emu/panel",
    "wirevow draw times times.png old.json new.json": "tests/emu/test_draw_command.py, on a running clock",
}


def commands() -> Iterator[tuple[str, click.Command]]:
    """Every command that can be typed, with its words."""
    for name in command.COMMANDS:
        loaded = importlib.import_module(f"wirevow.emu.commands.{name}").command
        if isinstance(loaded, click.Group):
            yield from ((f"{name} {each}", inner) for each, inner in loaded.commands.items())
        else:
            yield name, loaded


def examples(told: click.Command) -> list[str]:
    """The command lines in a command's help."""
    text = (told.help or "").replace("\\\n", " ")
    return [
        " ".join(each.split())
        for each in re.findall(r"^ *(?:Example:)? *(wirevow [a-z].*)$", text, re.MULTILINE)
    ]


ALL = [(name, line) for name, told in commands() for line in examples(told)]
SHOWN = [
    shlex.split(line.removeprefix("$ "))
    for page in PAGES
    for block in BLOCK.findall((ROOT / page).read_text())
    for line in block.splitlines()
    if line.startswith("$ ")
]
"""Commands of the README and the guide, which `test_readme.py` runs."""


@pytest.mark.parametrize(("name", "told"), list(commands()), ids=[name for name, _ in commands()])
def test_every_command_has_an_example_of_itself(name, told):
    lines = examples(told)
    assert any(line.startswith(f"wirevow {name} ") for line in lines), f"wirevow {name} --help has no example"


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """What the examples speak of."""
    place = tmp_path_factory.mktemp("examples")
    tarn = find("tarn").read_text(encoding="utf-8")
    (place / "spec").mkdir()
    (place / "spec/tarn.yaml").write_text(tarn, encoding="utf-8")
    (place / "mine.yaml").write_text(find("brae").read_text(encoding="utf-8"), encoding="utf-8")
    git = ["git", "-C", str(place), "-c", "user.name=A", "-c", "user.email=a@example.org"]
    for words in (["init", "-q"], ["add", "."], ["commit", "-qm", "Say what it promises"], ["tag", "v1.2.0"],
                  ["commit", "-q", "--allow-empty", "-m", "Think again"]):  # fmt: skip
        subprocess.run([*git, *words], check=True)
    asked = b"".join(
        record_bytes(kind, second * 10**9, said)
        for second in range(3)
        for kind, said in ((Kind.HOST, b"ask input.voltage\n"), (Kind.DEVICE, b"ok 12.003 V\n"))
    )
    (place / "bench.journal").write_bytes(head_bytes(Head(0, DEVICE, *load("tarn").identity)) + asked)
    with contextlib.chdir(place):
        faulty = "emu://tarn?fault=ticket-used-is-good-again"
        only = ["--only", "*.ticket", "--json", "report.json"]
        assert command.run(["check", "tarn", faulty, *only]) == 1
        for name in ("monday.json", "tuesday.json", "old.json", "new.json"):
            Path(name).write_bytes(Path("report.json").read_bytes())
    return place


def begun(words: list[str], running: contextlib.ExitStack) -> str:
    """The first line of a command that runs until it is ended, which `running` does."""
    program = [sys.executable, "-c", "from wirevow.emu.command import main; main()", *words[1:]]
    process = subprocess.Popen(program, env=ENVIRONMENT, stdout=subprocess.PIPE, text=True)
    running.enter_context(process)
    running.callback(process.terminate)
    patience = threading.Timer(120, process.kill)
    patience.start()
    running.callback(patience.cancel)
    assert process.stdout is not None
    return process.stdout.readline()


@pytest.mark.parametrize(("name", "line"), ALL, ids=[line[8:60] for _, line in ALL])
def test_the_example_works(name, line, folder, tmp_path, monkeypatch):
    doc = "mine.yaml" if "mine.yaml" in line else "tarn"
    words = shlex.split(line.replace(DEVICE, "device" if name in RUNS else f"emu://{doc}"))
    if line in ELSEWHERE or words in SHOWN:
        return
    if name in SMALLER:
        words = [word.replace("tarn", "brae") for word in words]
    if words[1] == "draw":
        pytest.importorskip("matplotlib", reason="pip install 'wirevow[pictures]'")
    if words[1] == "learn":
        pytest.importorskip("aalpy", reason="pip install 'wirevow[automata]'")
    monkeypatch.chdir(tmp_path if words[1] == "record" else folder)
    if words[1] in RUNS or "--listen" in words:
        with contextlib.ExitStack() as running:
            if DEVICE in line:
                begun(["wirevow", "emulate", doc, "--link", "device"], running)
            assert begun(words, running)
        return
    with open("/dev/null") as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        assert command.run([*words[1:], *SCOPE.get(words[1], [])]) in (0, 1)
