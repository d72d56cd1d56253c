"""The commands that README and DEVELOPERS tell people to type exist, with the options they are given."""

import importlib
import re
import shlex
from pathlib import Path

import click
import pytest

from wirevow.emu import command

ROOT = Path(__file__).parent.parent
MANUALS = ["README.md", "DEVELOPERS.md"]


def typed(manual):
    """Every `wirevow ...` in code, as words."""
    text = (ROOT / manual).read_text()
    found = re.findall(r"^\$ (wirevow .*)$|`(wirevow [^`]+)`", text, re.MULTILINE)
    return [shlex.split(block or inline) for block, inline in found]


@pytest.mark.parametrize("manual", MANUALS)
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


@pytest.mark.parametrize("manual", MANUALS)
def test_every_file_that_a_manual_links_to_exists(manual):
    linked = re.findall(r"\]\((?!http)([^)#]+)", (ROOT / manual).read_text())
    for name in linked:
        assert (ROOT / name).exists(), f"{manual}: {name}"
