"""The log of a discharge: a CSV file that grows by a line a row, and can be gone on with.

The first line is `# ` and a JSON object: the document, what was declared, what was asked for. Then a line of
column names, and one line for each row. Every row is with the system before the next is measured, and with
the disk every few seconds; of a log that was cut, the last line may be half and is dropped.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from types import TracebackType
from typing import Any

from wirevow.protocol.errors import WirevowError

LAYOUT = 1
_SYNC_ROWS = 16


@dataclass(frozen=True, slots=True)
class Row:
    """One look at the battery."""

    segment: int
    """Counts the starts: between two segments nobody looked."""
    seconds: float
    """Since the first row; gaps between segments are left out."""
    phase: str
    """`open` before the start, `load`, `rest`, `pulse`, `ended`."""
    level: float
    """What the box was told to hold, in the mode's unit."""
    volts: float
    amperes: float
    celsius: float | None
    ampere_hours: float
    """Since the first row, by this host's sum."""
    watt_hours: float
    counted: float | None
    """The box's own counter of charge, A.h, since the start of the segment."""
    settled: bool = True
    """False for the first row after a change of level."""


COLUMNS = tuple(field.name for field in fields(Row))
_DIGITS = {"seconds": 3, "level": 6, "volts": 6, "amperes": 6, "celsius": 2, "ampere_hours": 7,
           "watt_hours": 6, "counted": 6}  # fmt: skip


def _text(row: Row) -> str:
    words = []
    for name in COLUMNS:
        value = getattr(row, name)
        if value is None:
            words.append("")
        elif isinstance(value, bool):
            words.append(str(int(value)))
        elif isinstance(value, float):
            words.append(f"{value:.{_DIGITS[name]}f}")
        else:
            words.append(str(value))
    return ",".join(words) + "\n"


def _row(words: Sequence[str]) -> Row:
    if len(words) != len(COLUMNS):
        raise ValueError("columns")
    at = dict(zip(COLUMNS, words, strict=True))

    def maybe(name: str) -> float | None:
        return float(at[name]) if at[name] else None

    return Row(
        int(at["segment"]), float(at["seconds"]), at["phase"], float(at["level"]), float(at["volts"]),
        float(at["amperes"]), maybe("celsius"), float(at["ampere_hours"]), float(at["watt_hours"]),
        maybe("counted"), at["settled"] == "1",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Run:
    """A log that was read."""

    about: dict[str, Any]
    rows: list[Row]


def read(file: Path) -> Run:
    """The run in a log. A half last line is left out. Raises WirevowError."""
    try:
        text = file.read_text("ascii")
    except FileNotFoundError:
        raise WirevowError(f"{file}: there is no such log; leave --resume out to start one") from None
    except (OSError, UnicodeDecodeError) as error:
        raise WirevowError(f"{file}: it cannot be read as a log ({error})") from None
    lines = text.split("\n")
    try:
        about = json.loads(lines[0].removeprefix("# "))
        ok = lines[0].startswith("# ") and about["layout"] == LAYOUT and lines[1].split(",") == list(COLUMNS)
    except (ValueError, KeyError, IndexError, TypeError):
        ok = False
    if not ok:
        raise WirevowError(f"{file}:1: it is no log of a discharge, or of another version: name one that is")
    rows = []
    for number, words in enumerate(csv.reader(io.StringIO("\n".join(lines[2:-1]))), 3):
        try:
            rows.append(_row(words))
        except ValueError:
            raise WirevowError(f"{file}:{number}: the row is damaged; mend or delete the line") from None
    return Run(about, rows)


class Log:
    """A log being written. A row that cannot be is a WirevowError, and those before it are kept."""

    def __init__(self, file: Path, about: dict[str, Any] | None) -> None:
        """Begin a log (`about` given), or go on with one. Raises WirevowError."""
        self._file = file
        self._rows = 0
        try:
            if about is not None:
                # Never over another run: hours of somebody's bench are in it.
                self._stream = open(file, "xb", buffering=0)  # noqa: SIM115
                head = json.dumps({"layout": LAYOUT, **about}, sort_keys=True)
                self._write(f"# {head}\n{','.join(COLUMNS)}\n")
            else:
                self._stream = open(file, "r+b", buffering=0)  # noqa: SIM115
                kept = self._stream.read().rfind(b"\n") + 1
                self._stream.truncate(kept)
                self._stream.seek(kept)
        except FileExistsError:
            raise WirevowError(
                f"{file}: there is a log already; go on with it by --resume, or name another place"
            ) from None
        except OSError as error:
            raise WirevowError(f"{file}: it cannot be written ({error.strerror})") from None

    def _write(self, text: str) -> None:
        data = text.encode("ascii")
        while data:
            data = data[self._stream.write(data) :]

    def add(self, row: Row) -> None:
        """Append a row. Raises WirevowError."""
        try:
            self._write(_text(row))
            self._rows += 1
            if self._rows % _SYNC_ROWS == 0:
                os.fsync(self._stream.fileno())
        except OSError as error:
            raise WirevowError(
                f"{self._file}: a row cannot be written ({error.strerror}); those before it are kept."
                " Make room,"
                " and go on with --resume"
            ) from None

    def __enter__(self) -> Log:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stream.close()


def write_parquet(run: Run, file: Path) -> None:
    """The rows as an Apache Parquet file, `about` in its metadata. Raises WirevowError without pyarrow."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ModuleNotFoundError:
        raise WirevowError("pyarrow is missing: install wirevow[tables]") from None
    table = pyarrow.table({name: [getattr(row, name) for row in run.rows] for name in COLUMNS})
    table = table.replace_schema_metadata({"wirevow": json.dumps(run.about, sort_keys=True)})
    try:
        pyarrow.parquet.write_table(table, file)
    except OSError as error:
        raise WirevowError(f"{file}: it cannot be written ({error})") from None
