"""A report that was written as JSON, read again: as much of it as later reports are held against.

Its shape is `report.schema.json`. Members that are not used here may be absent, and new ones are passed over.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import file_content

MOST_REPORT_BYTES = 32 * 1024 * 1024
"""A hundred times the report of a large document."""

VerdictWord = Literal["not selected", "pass", "inconclusive", "fail", "error"]
Seconds = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True)


class PastRow(_Part):
    """One requirement of a report."""

    id: str
    sentence: str
    verdict: VerdictWord
    reason: str


class PastDocument(_Part):
    """Which document the check held the instrument to."""

    name: str
    version: str
    sha256: str


class PastProfile(_Part):
    """How far the check was allowed to go."""

    name: str


class PastBin(_Part):
    """How many took at most so long, and longer than the bin before."""

    to_seconds: Seconds
    count: int


class PastReplies(_Part):
    """How long answers took, as seen, with the host's own delays."""

    median_seconds: Seconds
    p99_seconds: Seconds
    host_late_seconds: Seconds
    bins: tuple[PastBin, ...] = Field(strict=False)


class Past(_Part):
    """One report. `started` is in UTC."""

    report: Literal[1]
    verdict: VerdictWord
    note: str
    document: PastDocument
    port: str
    clock: Literal["held", "real"]
    profile: PastProfile
    seed: int
    budget: int | None
    started: Annotated[AwareDatetime, Field(strict=False)]
    reply_times: PastReplies
    reply_deadline_seconds: Seconds
    wirevow: str
    requirements: tuple[PastRow, ...] = Field(strict=False)

    def rows(self) -> dict[str, PastRow]:
        """Its requirements by their ids, in the order of the document."""
        return {row.id: row for row in self.requirements}


def past_of(content: bytes | str, name: str) -> Past:
    """The report in a JSON text. `name`: what to call it in an error, such as its file.

    Raises WirevowError for anything that is not a whole report of a version that is known.
    """
    try:
        past = Past.model_validate_json(content)
    except ValidationError as wrong:
        first = wrong.errors(include_input=False)[0]
        place = ".".join(map(str, first["loc"]))
        what = ": ".join(part for part in (place, first["msg"]) if part)
        raise WirevowError(
            f"{name}: this is no whole report ({what}); name a file that `wirevow check --json` has written"
        ) from wrong
    if len(past.rows()) != len(past.requirements):
        raise WirevowError(f"{name}: this report has a requirement twice; name one that nobody has edited")
    return past


def read_past(path: Path) -> Past:
    """The report in a file. Raises WirevowError."""
    try:
        content = file_content(path, MOST_REPORT_BYTES, "report")
    except ValueError as wrong:
        raise WirevowError(f"{path}: {wrong}") from wrong
    return past_of(content, str(path))


def must_be_of(past: Past, path: Path, instrument: str) -> None:
    """Raises WirevowError if a report is of another instrument's document."""
    if past.document.name != instrument:
        raise WirevowError(
            f"{path}: this is a report of {past.document.name}, not of {instrument}; "
            f"name one that a check of {instrument} has written"
        )
