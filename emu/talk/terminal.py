"""The console at a terminal: a line editor with completion, inline help and history.

While a line is typed the instrument is listened to in another thread, one request at a time; what it says is
written above the line. What is drawn by the line editor passes the screen as it is, so every text that it is
given is cleaned first.
"""

from __future__ import annotations

import asyncio
import os
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wirevow.emu.commands.jobs import Progress, duration
from wirevow.emu.live import curve
from wirevow.emu.screen import terminal
from wirevow.emu.talk.lines import Leave, Talk
from wirevow.emu.talk.offers import hint, offers
from wirevow.protocol.client.failures import Refused
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import shown

try:
    from prompt_toolkit import PromptSession
    from prompt_toolkit.application import get_app, run_in_terminal
    from prompt_toolkit.completion import CompleteEvent, Completer, Completion
    from prompt_toolkit.document import Document
    from prompt_toolkit.history import History
    from prompt_toolkit.output import create_output
except ImportError as error:
    raise WirevowError(
        "a console at a terminal needs prompt_toolkit: pip install 'wirevow[console]'; lines in a pipe do not"
    ) from error

if TYPE_CHECKING:
    from prompt_toolkit.input import Input
    from prompt_toolkit.output import Output

MOST_LINES = 1000
MOST_BYTES = 256 * 1024
"""Of the history that is kept."""
LISTEN_S, LOOK_S = 0.1, 1.0
"""Between listening, and between looks at the state, which keep the link alive."""


def state_file(name: str) -> Path:
    """A file in the user's folder for state (XDG Base Directory Specification 0.8)."""
    given = os.environ.get("XDG_STATE_HOME", "")
    base = Path(given) if os.path.isabs(given) else Path.home() / ".local" / "state"
    return base / "wirevow" / name


class LineHistory(History):
    """Lines that were typed, in a file of at most `MOST_LINES`; without a file, as long as this runs."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path

    def load_history_strings(self) -> Iterable[str]:
        lines: list[str] = []
        with suppress(OSError):
            with self._path.open("rb") as file:
                size = file.seek(0, os.SEEK_END)
                file.seek(max(0, size - MOST_BYTES))
                lines = file.read().decode("utf-8", "replace").splitlines()
            if size > MOST_BYTES or len(lines) > MOST_LINES:
                lines = lines[size > MOST_BYTES :][-MOST_LINES:]
                self._rewrite(lines)
        return [shown(line) for line in reversed(lines)]

    def store_string(self, string: str) -> None:
        with suppress(OSError):
            self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            descriptor = os.open(self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
            with os.fdopen(descriptor, "ab") as file:
                file.write(" ".join(string.splitlines()).encode("utf-8", "replace") + b"\n")

    def _rewrite(self, lines: list[str]) -> None:
        descriptor, name = tempfile.mkstemp(dir=self._path.parent)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.writelines(f"{line}\n" for line in lines)
        os.replace(name, self._path)


class Offered(Completer):
    """Completion from the document."""

    def __init__(self, talk: Talk) -> None:
        self._talk = talk

    def get_completions(self, document: Document, complete_event: CompleteEvent) -> Iterable[Completion]:
        last = document.get_word_before_cursor(WORD=True)
        for word, means in offers(self._talk, document.text_before_cursor):
            yield Completion(word, -len(last), display_meta=shown(means))


class Console:
    """One session at a terminal; `source` and `sink` are for tests."""

    def __init__(
        self, talk: Talk, history: Path, source: Input | None = None, sink: Output | None = None
    ) -> None:
        self._talk = talk
        self._progress = Progress(quiet=False)
        self._silent = False
        """The instrument did not answer when it was last listened to."""
        talk.meanwhile = self._meanwhile
        self._session: PromptSession[str] = PromptSession(
            message=lambda: shown(" ".join((talk.vow.identity[0], *talk.state.split()[:1])) + "> "),
            completer=Offered(talk),
            complete_while_typing=True,
            bottom_toolbar=self._below,
            history=LineHistory(history),
            input=source,
            output=sink or create_output(terminal()),
        )

    def _below(self) -> str:
        """Under the line: the curve of what is plotted, and help."""
        talk, app = self._talk, get_app()
        help_line = shown(hint(talk, app.current_buffer.document.text_before_cursor))
        if not talk.plotted:
            return help_line
        samples = list(talk.samples)
        unit = talk.vow.points[talk.plotted].number.unit
        begun = samples[0][0] if samples else 0.0
        drawn = curve(
            [at - begun for at, _ in samples],
            [value for _, value in samples],
            talk.plotted,
            unit,
            app.output.get_size().columns,
            app.output.encoding(),
        )
        return "\n".join([*drawn, help_line])

    def converse(self) -> None:
        """Until `:quit` or the input ends. KeyboardInterrupt."""
        while True:
            with suppress(WirevowError):  # whoever types next is told
                self._talk.look()
            self._tell()
            try:
                line = self._session.prompt(pre_run=self._listen_meanwhile)
                self._do(line)
            except (EOFError, Leave):
                return

    def _do(self, line: str) -> None:
        try:
            answer = self._talk.do(line)
            said = () if answer is None else answer.lines
        except Refused as error:
            said = (" ".join(("refuse", error.reason, *error.details)), error.message)
        except WirevowError as error:
            said = (error.message,)
        finally:
            self._progress.done()
            self._tell()
        for each in said:
            click.echo(each)

    def _tell(self) -> None:
        while self._talk.news:
            click.echo(self._talk.news.popleft())

    def _meanwhile(self, passed: float, whole: float) -> None:
        if self._talk.news:
            self._progress.done()
            self._tell()
        self._progress.say(lambda: f"{duration(passed)} of {duration(whole)}")

    # --------------------------------------------------------------------------------- while a line is typed

    def _listen_meanwhile(self) -> None:
        if not self._talk.client.host.virtual:  # there time stands still
            get_app().create_background_task(self._listen())

    async def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        looked = loop.time()
        while True:
            await asyncio.sleep(LISTEN_S)
            due = loop.time() - looked >= LOOK_S
            said = await loop.run_in_executor(None, self._heard, due)
            if due:
                looked = loop.time()
            if said is not None:
                self._talk.news.append(said)
            if self._talk.news:
                await loop.run_in_executor(None, self._heard, True)  # the state that it led to
                await run_in_terminal(self._tell)
            elif due:
                get_app().invalidate()

    def _heard(self, look: bool) -> str | None:
        """Listen; what to say of it if that failed, once."""
        try:
            self._talk.hear()
            if look:
                self._talk.look()
        except WirevowError as error:
            if self._silent:
                return None
            self._silent = True
            return error.message
        self._silent = False
        return None
