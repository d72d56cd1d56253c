"""The outputs that the README shows are those of its commands.

`python -m tests.readme` writes them anew; with `--check` (and by a test) it tells what is stale. A fenced
block that begins with a command is run as it stands, one block after the other, in a folder that has only
`spec/`, the examples and what `SLIPS` prepares: what needs more would be wrong for a reader too. A line
`...` stands for any number of lines. A block of `>` and `<` is a talk with a fresh simulated instrument.
"""

from __future__ import annotations

import contextlib
import difflib
import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import serial

import wirevow  # noqa: F401  # tells pyserial about emu://

ROOT = Path(__file__).parent.parent
PAGES = ("README.md", "spec/testing.md", "spec/guide.md")
SLIPS = {"mine.yaml": ("    high: limit.current\n", "    high: limit.curent\n")}
"""Documents with a slip of the pen: Tarn's with the first of these texts replaced by the second."""
RUNNING = ("emulate", "record")
"""Commands that run until they are ended, here with the page: their first lines are what they show."""
ANSWERS = (0, 1)
"""The statuses of a command that has done its work; 1 is a bad verdict, which a page may show."""
ELISION = "..."
BLOCK = re.compile(r"^```\n(?=\$ |> )(.*?)^```$", re.MULTILINE | re.DOTALL)


def ran(words: Sequence[str], folder: Path, shown: int, running: contextlib.ExitStack) -> list[str]:
    """What a command writes, in lines without blanks at their ends; `printf TEXT |` gives it input.

    Of one that keeps running, as many lines as are shown; `running` ends it.
    """
    said = ""
    if words[0] == "printf":
        said, words = words[1].replace("\\n", "\n"), words[3:]
    program = {
        "wirevow": [sys.executable, "-c", "from wirevow.emu.command import main; main()"],
        "pytest": [sys.executable, "-m", "pytest"],
        "python": [sys.executable],
        "make": ["make"],
    }
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    environment = {**os.environ, "PYTHONPATH": paths, "COLUMNS": "110", "NO_COLOR": "1"}
    environment.pop("FORCE_COLOR", None)
    if words[0] == "pytest":
        environment |= {"COLUMNS": "80", "PYTEST_ADDOPTS": "-p wirevow.emu.pytest_plugin -p no:cacheprovider"}
    process = running.enter_context(
        subprocess.Popen(
            [*program[words[0]], *words[1:]], cwd=folder, env=environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    if words[0] == "wirevow" and words[1] in RUNNING:
        running.callback(process.terminate)
        return [process.stdout.readline().rstrip() for _ in range(shown)]
    text, _ = process.communicate(said)
    if process.returncode not in ANSWERS:
        raise ValueError(f"{shlex.join(words)}: status {process.returncode}\n{text}")
    return [line.rstrip() for line in text.rstrip().splitlines()]


def talked(lines: Sequence[str]) -> list[str]:
    """The talk with what a fresh instrument answers now."""
    with contextlib.closing(serial.serial_for_url("emu://tarn", timeout=2)) as port:
        talk = []
        for line in lines:
            if line.startswith("> "):
                port.write(line[2:].encode() + b"\n")
                talk += [line, "< " + port.readline().decode().rstrip("\n")]
        return talk


def shape(line: str) -> str:
    """A line with its numbers and digests taken out, which are what grows stale."""
    return re.sub(r"[0-9a-f]*\d[0-9a-f]*|(?<= )-(?= |$)", "#", re.sub(r" +", " ", line))


def shown(segments: Sequence[Sequence[str]], output: Sequence[str]) -> list[list[str]]:
    """The parts of the present output from each segment's first line to its last."""
    shapes = [shape(line) for line in output]
    place, parts = 0, []
    for segment in segments:
        part: list[str] = []
        if segment:
            first = _at(shapes, segment[0], place)
            last = _at(shapes, segment[-1], max(place, first))
            part = list(output[first : last + 1])
            place = last + 1
        parts.append(part)
    return parts


def _at(shapes: Sequence[str], line: str, place: int) -> int:
    """Where a line like this one is, from `place` on."""
    if shape(line) not in shapes[place:]:
        raise ValueError(f"no line like {line!r} is written any more: mend the page by hand")
    return shapes.index(shape(line), place)


def renewed(block: str, folder: Path, running: contextlib.ExitStack) -> str:
    """A block with what its commands write now."""
    lines = block.splitlines()
    if lines[0].startswith("> "):
        return "\n".join(talked(lines)) + "\n"
    new: list[str] = []
    starts = [index for index, line in enumerate(lines) if line.startswith("$ ")] + [len(lines)]
    for start, end in pairwise(starts):
        segments: list[list[str]] = [[]]
        for line in lines[start + 1 : end]:
            if line == ELISION:
                segments.append([])
            else:
                segments[-1].append(line)
        output = ran(shlex.split(lines[start][2:]), folder, end - start - 1, running)
        if segments == [[]]:
            output = []  # only how it is typed is shown
        parts = [output] if len(segments) == 1 else shown(segments, output)
        new.append(lines[start])
        for index, part in enumerate(parts):
            new += [ELISION] * (index > 0) + part
    return "\n".join(new) + "\n"


def page_as_it_should_be(page: str) -> str:
    """A page with every output renewed."""
    text = (ROOT / page).read_text()
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as running:
        folder = Path(name)
        (folder / "spec").symlink_to(ROOT / "spec")
        for document, (right, slip) in SLIPS.items():
            (folder / document).write_text((ROOT / "spec/tarn.yaml").read_text().replace(right, slip, 1))
        for example in (ROOT / "tests/examples").glob("*.py"):
            (folder / example.name).write_text(example.read_text())
        return BLOCK.sub(lambda found: f"```\n{renewed(found[1], folder, running)}```", text)


def stale(page: str) -> str:
    """How a page differs from what it should be; empty if it does not."""
    lines = [
        text.splitlines(keepends=True) for text in ((ROOT / page).read_text(), page_as_it_should_be(page))
    ]
    return "".join(difflib.unified_diff(*lines, page, "what its commands write"))


def main(words: list[str]) -> int:
    if words not in ([], ["--check"]):
        print("usage: python -m tests.readme [--check]", file=sys.stderr)
        return 2
    differences = ""
    for page in PAGES:
        print(f"running the commands of {page} ...", flush=True)
        if words:
            differences += stale(page)
        else:
            (ROOT / page).write_text(page_as_it_should_be(page))
    print(differences or "as their commands write them" if words else "written anew; look at the difference")
    return 1 if differences else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
