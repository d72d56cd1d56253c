"""The `wirevow` command: a table of subcommands, and what they have in common.

A subcommand's module is imported only when that subcommand runs, so `wirevow --help` costs little more
than click itself. Each module `emu/commands/NAME.py` holds one click command called `command`.

How every subcommand ends:

=======  ==========================================================================
status   meaning
=======  ==========================================================================
0        done; for `check`: pass
1        the answer is bad: `vet` found a defect, `check` a failure, `audit` a survivor,
         `history` that the last check is worse than the one before
2        bad usage, bad input or a port that cannot be used; one line on stderr says which
3        `check` only: inconclusive
70       a defect of Wirevow itself (EX_SOFTWARE of sysexits.h), with its traceback
128 + N  ended by signal N (Ctrl-C: 130), after the subcommand's own safe action
=======  ==========================================================================
"""

from __future__ import annotations

import importlib
import signal
import sys
from collections.abc import Sequence
from types import FrameType

import click

from wirevow._version import __version__
from wirevow.emu.screen import open_closed, screens
from wirevow.protocol.errors import WirevowError

COMMANDS: dict[str, str] = {
    "new": "Write a document to grow your own from.",
    "vet": "Find what is wrong with a document itself.",
    "emulate": "Simulate the instrument of a document on a port.",
    "talk": "Talk to the instrument at a port: a console, or lines in a pipe.",
    "panel": "Show an instrument and its world in a browser.",
    "check": "Hold an instrument at a port to its document.",
    "adapt": "Offer firmware with a syntax of its own as one that speaks the wire.",
    "history": "Tell from many reports when something began to fail.",
    "replay": "Show the failure of a case file again.",
    "audit": "Run the checker against every named fault.",
    "learn": "Infer the state machine of the instrument at a port.",
    "compare": "Tell what a new version of a document changes.",
    "record": "Write down all that passes between a host program and a device.",
    "journal": "Print, filter and export what was recorded.",
    "rerun": "Send one side of a recording again, or stand in for the other.",
    "generate": "Write the C core of an instrument from its document.",
    "discharge": "Discharge a battery: capacity, energy, internal resistance.",
    "calibrate": "Correct readings and levels against a reference meter.",
    "sweep": "Load a source over a range: regulation, resistance, step response.",
    "draw": "Draw what an instrument and its bench do: a discharge, a swing.",
}
"""Subcommand -> what it is for, in the order `wirevow --help` shows them."""

USAGE = 2
DEFECT = 70


class Ended(KeyboardInterrupt):
    """SIGTERM or SIGHUP: handled as Ctrl-C is, so that the safe action is sent on these ways out too."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


def _end(number: int, _frame: FrameType | None) -> None:
    raise Ended(number)


class Subcommands(click.Group):
    """A group that knows its subcommands from `COMMANDS` and imports the one that is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"wirevow.emu.commands.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=Subcommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="wirevow %(version)s")
def wirevow() -> None:
    """Hold an instrument to what one document says about it.

    DOC is the instrument's document: a YAML file, or the name of one that comes with Wirevow (tarn).
    PORT is a serial device such as /dev/ttyUSB0, or one of pyserial's URLs: socket://HOST:PORT,
    rfc2217://HOST:PORT, or emu://NAME for the simulated instrument in this same process.
    """


def _say(message: str) -> None:
    for line in message.splitlines():
        click.echo(f"wirevow: {line}", err=True)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line (default: the process's own) and return its exit status."""
    with screens():
        return _run(arguments)


def _run(arguments: Sequence[str] | None) -> int:
    try:
        result = wirevow.main(arguments, prog_name="wirevow", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return USAGE
    except click.UsageError as error:
        place = error.ctx.command_path if error.ctx is not None else "wirevow"
        _say(f"{error.format_message()} Try '{place} --help'.")
        return USAGE
    except click.ClickException as error:
        _say(error.format_message())
        return USAGE
    except WirevowError as error:
        _say(error.message)
        return error.exit_code
    except click.Abort as error:
        # click turns KeyboardInterrupt (ours too) and the end of a question's input into Abort; what it
        # was stays in the context.
        cause = error.__context__
        if isinstance(cause, EOFError):
            _say("a question was left unanswered: standard input has ended.")
            return USAGE
        return 128 + (cause.number if isinstance(cause, Ended) else signal.SIGINT)
    except OSError as error:
        if error.filename is None:
            raise
        _say(f"{error.filename}: {error.strerror}.")
        return USAGE
    # With standalone_mode off click returns the status given to ctx.exit, or what the command returned.
    return result if isinstance(result, int) else 0


def main() -> None:
    """Entry point of the installed command."""
    open_closed()
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)  # there is no SIGHUP on Windows
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:  # nohup's choice is left alone
            signal.signal(number, _end)
    try:
        status = run()
    except KeyboardInterrupt as ended:  # outside click's care
        status = 128 + (ended.number if isinstance(ended, Ended) else signal.SIGINT)
    except Exception:
        import traceback

        traceback.print_exc()
        print(
            "wirevow: this is a defect of Wirevow; please report it with the lines above and the command.",
            file=sys.stderr,
        )
        status = DEFECT
    sys.exit(status)
