"""The commands that README and DEVELOPERS tell people to type exist, with the options they are given."""

import importlib
import re
import shlex
import subprocess
import sys
from pathlib import Path

import click
import pytest

from wirevow.emu import command

ROOT = Path(__file__).parent.parent
MANUALS = ["README.md", "DEVELOPERS.md"]
GUIDE = "spec/testing.md"
PAGES = [*MANUALS, GUIDE, "spec/ci.md"]
EXAMPLES = [file.read_text() for file in (ROOT / "tests" / "examples").glob("*.py")]
PROGRAMS = re.findall(r"^```python\n(.*?)^```$", (ROOT / GUIDE).read_text(), re.MULTILINE | re.DOTALL)


def typed(manual):
    """Every `wirevow ...` in code, as words."""
    text = (ROOT / manual).read_text()
    found = re.findall(r"^\$ (wirevow .*)$|`(wirevow [^`]+)`", text, re.MULTILINE)
    return [shlex.split(block or inline) for block, inline in found]


@pytest.mark.parametrize("manual", PAGES)
def test_every_wirevow_command_in_a_manual_exists(manual):
    lines = typed(manual)
    assert lines
    for _, name, *arguments in lines:
        if name.startswith("-"):
            continue
        assert name in command.COMMANDS, f"{manual}: wirevow {name}"
        told = importlib.import_module(f"wirevow.emu.commands.{name}").command
        if isinstance(told, click.Group):
            told = told.commands[arguments[0]]
        options = {
            option
            for parameter in told.params
            if isinstance(parameter, click.Option)
            for option in parameter.opts
        }
        given = {word for word in arguments if word.startswith("--")}
        assert given <= options | {"--help"}, f"{manual}: wirevow {name} {given - options}"


@pytest.mark.parametrize("manual", MANUALS)
def test_every_make_target_in_a_manual_exists(manual):
    targets = set(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(), re.MULTILINE))
    told = set(re.findall(r"^make ([a-z]+)|`make ([a-z]+)", (ROOT / manual).read_text(), re.MULTILINE))
    assert told
    assert {block or inline for block, inline in told} <= targets


@pytest.mark.parametrize("manual", PAGES)
def test_every_file_that_a_manual_links_to_exists(manual):
    linked = re.findall(r"\]\((?!http)([^)#]+)", (ROOT / manual).read_text())
    for name in linked:
        assert (ROOT / manual).parent.joinpath(name).exists(), f"{manual}: {name}"


@pytest.mark.parametrize("program", PROGRAMS, ids=[str(number) for number in range(len(PROGRAMS))])
def test_every_program_of_the_guide_is_an_example_or_runs(program):
    if program in EXAMPLES:  # run where the guide's commands are (`test_readme.py`)
        return
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "capacity.charge" in done.stdout


def test_the_guide_shows_every_example_whole():
    assert {program for program in PROGRAMS if program in EXAMPLES} == set(EXAMPLES)
