"""`make demo`: the tour of the README, each step a command that can be typed as it is shown.

A document is vetted; an instrument is simulated from it on a pseudo-terminal; the checker judges it over
pyserial, as it would a box on the bench; then an instrument with one fault is put in its place and caught.
"""

from __future__ import annotations

import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

DOCUMENT = "spec/tarn.yaml"
FOLDER = Path("build/demo")
LINK = str(FOLDER / "tarn")
FAULT = "ticket-used-is-good-again"
BUDGET = "4000"
"""Lines: enough to find the fault and to shorten the way to it, and the tour is short all the same."""

PASS, FAIL = 0, 1


class Astray(Exception):
    """A step ended otherwise than the tour says."""


def say(text: str) -> None:
    print(f"\n# {text}", flush=True)


def words_of(*arguments: str) -> list[str]:
    """The command as shown, run by this interpreter, whichever `wirevow` is on the path."""
    print(f"$ wirevow {shlex.join(arguments)}", flush=True)
    return [sys.executable, "-c", "from wirevow.emu.command import main; main()", *arguments]


def step(*arguments: str, ends_with: int) -> None:
    """Run a command to its end, which is known beforehand."""
    status = subprocess.run(words_of(*arguments), stdin=subprocess.DEVNULL, check=False).returncode
    if status != ends_with:
        raise Astray(f"`wirevow {arguments[0]}` ended with status {status} instead of {ends_with}")


@contextmanager
def emulated(*options: str) -> Iterator[str]:
    """A simulated instrument in the background; gives the address of its rig."""
    command = words_of("emulate", DOCUMENT, "--link", LINK, "--rig", "tcp:127.0.0.1:0", *options)
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        rig = None
        while rig is None:
            line = process.stdout.readline()
            if not line:
                raise Astray(f"the simulated instrument ended with status {process.wait()}")
            print(line, end="", flush=True)
            kind, _, address = line.strip().partition(" ")
            if kind == "rig":
                rig = address
        yield rig
    finally:
        process.terminate()
        process.communicate()


def tour() -> None:
    shutil.rmtree(FOLDER, ignore_errors=True)
    FOLDER.mkdir(parents=True)
    report = FOLDER / "report.html"

    say("A document says what the instrument promises. Is it sound?")
    step("vet", DOCUMENT, ends_with=PASS)

    say("An instrument simulated from it, on a serial port of its own")
    with emulated() as rig:
        say("Does it keep every promise? (This takes a while: hours of the instrument's time.)")
        step("check", DOCUMENT, LINK, "--rig", rig, "--html", str(report), ends_with=PASS)

    say(f"The same instrument with one fault put in, {FAULT}")
    with emulated("--fault", FAULT) as rig:
        say("Is it caught?")
        page = str(FOLDER / "faulty.html")
        step("check", DOCUMENT, LINK, "--rig", rig, "--budget", BUDGET, "--html", page, ends_with=FAIL)
        say("A failure's case file shows it again, on this port or any other")
        cases = sorted(FOLDER.glob("cases/*.case"))
        if not cases:
            raise Astray("the check has written no case file")
        step("replay", str(cases[0]), LINK, "--rig", rig, ends_with=FAIL)

    say(f"The report on the good instrument, with every requirement and its verdict: {report}")


def main() -> int:
    try:
        tour()
    except Astray as astray:
        print(f"demo: {astray}; this is a defect of Wirevow.", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())
