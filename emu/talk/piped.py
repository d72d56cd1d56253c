"""The console without a terminal: a line in, one answer out, until the first that is not done."""

from __future__ import annotations

import json
import os
import select
import sys
import time
from collections.abc import Iterator

import click

from wirevow.emu.commands.jobs import Progress, duration
from wirevow.emu.talk.lines import Leave, Talk
from wirevow.protocol.client.failures import Refused
from wirevow.protocol.errors import WirevowError

LINE_LIMIT = 4096
"""Bytes of a line of input."""
LOOK_S = 1.0
"""Between looks at a real instrument while no line comes: its watchdog is fed, its notices are told."""


def converse(talk: Talk, descriptor: int, as_json: bool) -> int:
    """Do the lines that come from a file descriptor; the exit status. WirevowError for a line that is none.

    Notices go to standard error. A line that the instrument refuses ends it, with status 1: what follows in
    a script may energise, and was written for an instrument that took the line.
    """
    progress = Progress(quiet=False)

    def meanwhile(passed: float, whole: float) -> None:
        if talk.news:
            progress.done()
            tell(talk)
        progress.say(lambda: f"{duration(passed)} of {duration(whole)}")

    talk.meanwhile = meanwhile
    for number, line in enumerate(_lines(descriptor, talk), 1):
        try:
            answer = talk.do(line)
        except Leave:
            break
        except Refused as error:
            refusal = (error.reason, *error.details)
            _say(number, line, " ".join(("refuse", *refusal)), {"refuse": refusal}, as_json)
            click.echo(f"wirevow: line {number}: {error.message}", err=True)
            return 1
        except WirevowError as error:
            error.message = f"line {number}: {error.message}"
            raise
        finally:
            progress.done()
            tell(talk)
        if answer is not None:
            text = "; ".join(" ".join(each.split()) for each in answer.lines)
            _say(number, line, text, answer.data, as_json)
    return 0


def tell(talk: Talk) -> None:
    """Show the notices that came."""
    while talk.news:
        click.echo(talk.news.popleft(), err=True)


def _say(number: int, line: str, text: str, data: object, as_json: bool) -> None:
    click.echo(json.dumps({"line": number, "asked": line.strip(), "answer": data}) if as_json else text)
    sys.stdout.flush()


def _lines(descriptor: int, talk: Talk) -> Iterator[str]:
    """The lines as they come; a real instrument is looked at meanwhile. The last may lack its line end."""
    kept = b""
    looked = time.monotonic()
    while True:
        line, end, rest = kept.partition(b"\n")
        if len(line) > LINE_LIMIT:
            raise WirevowError(f"a line has at most {LINE_LIMIT} bytes: is that a script?")
        if end:
            kept = rest
            yield line.decode("utf-8", "backslashreplace")
            continue
        wait = None if talk.client.host.virtual else max(0.0, looked + LOOK_S - time.monotonic())
        if not select.select([descriptor], [], [], wait)[0]:
            looked = time.monotonic()
            talk.look()
            tell(talk)
            continue
        came = os.read(descriptor, LINE_LIMIT)
        if not came:
            if kept:
                yield kept.decode("utf-8", "backslashreplace")
            return
        kept += came
