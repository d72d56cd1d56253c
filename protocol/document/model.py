"""The typed model of a document: what a vow may say, section by section.

Every section is declarative. Prose fields (`means`, `title`) and everything about the physics or about
testing (`plant`, `bench`, `trial`, `provoke`) are marked *not on the wire*: they do not count in the
digest that `self.vow` answers (see `canonical.py`).

Durations are written with a UCUM time code (`20 ms`) and held as integer nanoseconds. Numbers are held as
`Decimal`, exactly as written; formulas as checked expressions (`wirevow.protocol.expression`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, takewhile
from math import ceil, floor
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    Strict,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)

from wirevow.protocol.document.plant import Plant
from wirevow.protocol.expression import Expression, ExpressionError, parse
from wirevow.protocol.inputs import unprintable

WORD_PATTERN = r"^[a-z][a-z0-9_]{0,23}$"
NAME_PATTERN = r"^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*){0,3}$"

Whole = Annotated[int, Strict()]
Truth = Annotated[bool, Strict()]
# Strict: `yes` is a word in YAML 1.2, and a truth value is no number.

Word = Annotated[str, StringConstraints(pattern=WORD_PATTERN)]
"""One word: a lower-case letter, then lower-case letters, digits or `_`, at most 24 characters."""

Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN, max_length=40)]
"""One to four words joined by points."""

MOST_ROWS = 64
ROW_PATTERN = r"^[a-z][a-z0-9_#]*(\.[a-z][a-z0-9_#]*){0,3}$"

RowName = Annotated[str, StringConstraints(pattern=ROW_PATTERN, max_length=40)]
"""A name; `#` in it stands for the number of a row (`many`)."""


def _readable(text: str) -> str:
    found = unprintable(text) or ("a line end" if "\n" in text else None)
    if found is not None:
        raise ValueError(f"{found} does not belong in a text: write words, in one paragraph")
    return text


Prose = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=3, max_length=600), AfterValidator(_readable)
]
"""A sentence for people. Not on the wire: it does not count in the wire digest."""

_TEXT = re.compile(r"[!-}][!-~]*(?: [!-}][!-~]*)*")


def _answerable(text: str) -> str:
    if _TEXT.fullmatch(text) is None:
        raise ValueError(
            "a text is words of printable ASCII with one space between, none beginning with ~:"
            " write for example SK-0042"
        )
    return text


Text = Annotated[str, Strict(), StringConstraints(min_length=1, max_length=40), AfterValidator(_answerable)]
"""What is answered word for word. `#` stands for a decimal digit that every instrument has of its own."""

_NANOSECONDS = {"ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}
_DURATION = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?) (ns|us|ms|s|min|h)")
_VERSION = re.compile(r"(0|[1-9][0-9]{0,3})(\.(0|[1-9][0-9]{0,3})){2}")
_QUOTED_NUMBER = re.compile(r"-?[0-9]{1,12}(\.[0-9]{1,12})?")
_LONGEST_NS = 10 * 365 * 24 * 3600 * 10**9


def duration_ns(text: Any) -> int:
    """Nanoseconds of a duration such as `20 ms` or `1.5 s`; `ValueError` when it is not one."""
    found = _DURATION.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        raise ValueError(
            "a duration is a number, a space and one of ns, us, ms, s, min, h: write for example '20 ms'"
        )
    value = Decimal(found[1]) * _NANOSECONDS[found[2]]
    if value != int(value):
        raise ValueError("a duration is a whole number of nanoseconds: write fewer digits")
    if value > _LONGEST_NS:
        raise ValueError("a duration is at most ten years: write a shorter one")
    return int(value)


def duration_text(ns: int) -> str:
    """The duration in the largest UCUM time code that leaves a whole number, e.g. `20 ms`."""
    for code in ("h", "min", "s", "ms", "us"):
        if ns and ns % _NANOSECONDS[code] == 0:
            return f"{ns // _NANOSECONDS[code]} {code}"
    return f"{ns} ns"


Duration = Annotated[
    int,
    BeforeValidator(duration_ns),
    PlainSerializer(duration_text, return_type=str),
    WithJsonSchema({"type": "string", "pattern": f"^{_DURATION.pattern}$", "examples": ["20 ms"]}),
]
"""Written `20 ms`, held as integer nanoseconds."""


def _exact(value: Any) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | float | str | Decimal):
        raise ValueError("expected a number, for example 2.500")
    if isinstance(value, str) and not _QUOTED_NUMBER.fullmatch(value):
        raise ValueError("expected a number, for example 2.500")
    number = Decimal(str(value))
    exponent = number.as_tuple().exponent
    # Looked at before anything is computed with it: a huge exponent overflows even in abs().
    if not isinstance(exponent, int) or number.adjusted() >= 12 or not -12 <= exponent <= 12:
        raise ValueError("a number is finite, below 10^12 and has at most 12 decimals")
    return number


Exact = Annotated[
    Decimal,
    BeforeValidator(_exact),
    PlainSerializer(lambda number: format(number.normalize(), "f"), return_type=str),
    WithJsonSchema({"type": ["number", "string"], "pattern": f"^{_QUOTED_NUMBER.pattern}$"}),
]
"""A finite decimal number, exactly as written."""


def _formula(value: Any) -> Expression:
    if isinstance(value, Expression):
        return value
    if isinstance(value, bool) or not isinstance(value, int | float | str | Decimal):
        raise ValueError('expected an expression over points, for example "limit.power / 2"')
    try:
        return parse(value if isinstance(value, str) else format(_exact(value), "f"))
    except ExpressionError as wrong:
        raise ValueError(str(wrong)) from None


Formula = Annotated[
    Expression,
    BeforeValidator(_formula),
    PlainSerializer(lambda formula: formula.text, return_type=str),
    WithJsonSchema({"type": ["string", "number"], "maxLength": 500}),
]
"""An expression over points (`wirevow.protocol.expression`)."""


class Section(BaseModel):
    """Base of every part of a document: unknown keys are errors, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


# --------------------------------------------------------------------------------------- identity and wire


def _version(value: Any) -> str:
    if not isinstance(value, str) or not _VERSION.fullmatch(value):
        raise ValueError("a version is three numbers joined by points: write for example 1.0.0")
    return value


Version = Annotated[
    str, BeforeValidator(_version), WithJsonSchema({"type": "string", "pattern": f"^{_VERSION.pattern}$"})
]
"""Semantic version, three numbers."""


class VowSection(Section):
    """Who promises: `ask self.vow` answers name, version and the wire digest."""

    name: Word = Field(description="The instrument's name, one word.")
    version: Version = Field(description="Semantic version of the document, three numbers.")
    title: Prose = Field(description="What it is, for people. Not on the wire.")


class Opening(Section):
    """What opening the serial port does to the board, so that hosts set the lines first and wait."""

    resets: Truth = Field(
        default=False, description="Opening the port reboots the board (common with DTR wiring)."
    )
    settle: Duration = Field(default=0, description="Time from opening until the board listens.")
    dtr: Truth = Field(default=True, description="Level a host sets on DTR before opening.")
    rts: Truth = Field(default=True, description="Level a host sets on RTS before opening.")


Part = Literal["notices", "bulk", "local", "watchdog"]


class Wire(Section):
    """Framing limits and deadlines; the rules themselves are in `spec/wire.md`."""

    version: Literal[1] = Field(description="Wire version; this model knows version 1.")
    baud: Whole = Field(
        ge=300, le=4_000_000, description="Line rate, bit/s, 8 data bits, no parity, 1 stop bit."
    )
    line_limit: Whole = Field(ge=32, le=512, description="Longest line in bytes, line end not counted.")
    pipeline: Whole = Field(default=1, ge=1, le=64, description="Requests that may wait unanswered.")
    reply_deadline: Duration = Field(
        description="Longest time from a request's LF to its reply's first byte."
    )
    idle_typing: Duration = Field(description="Idle time inside a line that discards it, guard off.")
    idle_checked: Duration = Field(description="Idle time inside a line that discards it, guard on.")
    notice_queue: Whole = Field(
        default=8, ge=1, le=64, description="Notices that may wait for the transmitter."
    )
    parts: list[Part] = Field(default=[], description="Optional parts of the wire that this instrument has.")
    opening: Opening = Opening()


class Accuracy(Section):
    """Largest error of a reading: a part of the reading plus a part of the quantity's range, in percent."""

    reading_percent: Exact = Field(ge=0, le=100, description="Percent of the reading.")
    range_percent: Exact = Field(ge=0, le=100, description="Percent of the range, from low to high.")


class Quantity(Section):
    """A kind of number on the wire: its unit, its step and its range."""

    unit: Annotated[str, StringConstraints(pattern=r"^[!-}]{1,12}$")] = Field(
        description="UCUM code; `1` for counts and shares, which are written without a unit."
    )
    step: Exact = Field(
        gt=0, description="Smallest difference on the wire; its decimals are the digits written."
    )
    low: Exact = Field(description="Lowest value.")
    high: Exact = Field(description="Highest value.")
    accuracy: Accuracy | None = Field(
        default=None, description="Largest error of readings; settings have none."
    )
    means: Prose | None = Field(default=None, description="A sentence for people. Not on the wire.")


# ------------------------------------------------------------------------------------------------- points

System = Literal[
    "identity",
    "state",
    "uptime",
    "boots",
    "boot_cause",
    "guard",
    "notices",
    "silence",
    "drops",
    "control",
    "last_trip",
    "saves",
    "captures",
]
"""Values the wire itself keeps. `identity`: name, version, digest; `silence`: time since the last accepted
request; `drops`: notices dropped; `control`: who has the controls; `last_trip`: what the last trip's
notice said; `saves`: saves since the store was new; `captures`: records filled since boot."""

BOOT_CAUSES = ("power", "reset", "watchdog", "brownout", "request")
CONTROLLERS = ("remote", "local")
SYSTEM_CHOICES: dict[str, tuple[str, ...]] = {
    "boot_cause": BOOT_CAUSES,
    "guard": ("off", "on"),
    "notices": ("off", "on"),
    "control": CONTROLLERS,
}


class Follow(Section):
    """How a tester moves a reading by a setting, to see that it is fresh. Not on the wire."""

    setting: Name = Field(description="Setting that moves the reading.")
    to: Exact | Word = Field(description="Put this, from wherever it is.")
    state: Word = Field(description="Bring the instrument here first.")
    put: dict[Name, Exact | Word] = Field(default={}, description="Put before.")
    within: Duration = Field(description="The reading has followed after this time.")


class Point(Section):
    """A value that can be asked and perhaps put.

    What it is: exactly one of `quantity`, `choice`, `record` (bulk parts), `text` (always the same words), or
    a `system` value that needs none of them. Where it comes from: `signal` (the plant, sampled every
    `every`), `derived` (an expression over other points), `highest` or `lowest` (what another reading has
    been since a boot, or since an action zeroed it), `system`, or itself when it is a setting.
    """

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    many: Whole | None = Field(
        default=None,
        ge=2,
        le=MOST_ROWS,
        description="So many rows of it, numbered from 0: # in its name, and in what else it says but a text,"
        " is the number of the row.",
    )
    quantity: Word | None = Field(default=None, description="The kind of number that it is.")
    choice: Annotated[list[Word], Field(min_length=2, max_length=16)] | None = Field(
        default=None, description="Words that it can be."
    )
    record: Word | None = Field(default=None, description="Record that is sent in bulk parts.")
    part_bytes: Whole | None = Field(default=None, ge=1, le=64, description="Bytes of a record in one part.")
    system: System | None = Field(default=None, description="What every instrument can be asked: which.")
    text: Text | None = Field(
        default=None,
        description="Words that never change, such as a build date; each # is a digit that every instrument"
        " has of its own, as in a serial number.",
    )

    access: Literal["read", "set"] = Field(default="read", description="set: it can be put as well as asked.")
    default: Exact | Word | None = Field(default=None, description="Value after a boot with nothing saved.")
    low: Formula | None = Field(default=None, description="Lower limit; the quantity's own when absent.")
    high: Formula | None = Field(default=None, description="Upper limit; the quantity's own when absent.")
    set_in: list[Word] | None = Field(
        default=None, description="States in which it can be put; all when absent."
    )
    saved: Truth = Field(default=False, description="Kept by an explicit save.")
    local: Truth = Field(default=False, description="Can be changed at the front panel.")
    drives: Name | None = Field(default=None, description="Plant control that follows this setting.")
    drives_as: dict[Word, Word] = Field(
        default={}, description="The plant's word for a word of the choice, where it has another."
    )

    signal: Name | None = Field(default=None, description="Plant signal behind this reading.")
    every: Duration | None = Field(
        default=None,
        description="Sample period of the reading; of a highest or lowest, how often it looks at least.",
    )
    highest: Name | None = Field(
        default=None, description="The highest value of this reading since a boot, or since it was zeroed."
    )
    lowest: Name | None = Field(
        default=None, description="The lowest value of this reading since a boot, or since it was zeroed."
    )
    follows: Follow | None = Field(default=None, description="A setting that moves the reading.")
    derived: Formula | None = Field(
        default=None, description="Computed from other points, rounded to the step."
    )

    @model_validator(mode="after")
    def _one_kind(self) -> Point:
        if self.many is not None:
            raise ValueError("many is for a name with one #, such as preset.p#.level")
        kinds = [self.quantity, self.choice, self.record, self.text]
        given = sum(kind is not None for kind in kinds)
        if given > 1 or (given == 0 and self.system is None):
            raise ValueError(
                "say what the point is: exactly one of quantity, choice, record, text or a system value"
            )
        if self.text is not None and (
            self.system or self.signal or self.derived or self.highest or self.lowest
        ):
            raise ValueError("a text comes from nowhere: leave out signal, derived, highest, lowest, system")
        if self.text is not None and self.access == "set":
            raise ValueError("a text never changes: write access: read, or leave out text")
        kept = self.highest or self.lowest
        sources = [self.signal, self.derived, self.highest, self.lowest, self.system]
        if sum(source is not None for source in sources) > 1:
            raise ValueError(
                "say where the value comes from: at most one of signal, derived, highest, lowest, system"
            )
        if self.access == "set":
            if self.signal or self.derived is not None or self.record or kept:
                raise ValueError(
                    "a reading cannot be set: write access: read, or leave out signal, derived, record,"
                    " highest, lowest"
                )
            if self.default is None and self.system is None:
                raise ValueError("a setting needs a default")
        else:
            if not any(sources) and self.record is None and self.text is None:
                raise ValueError(
                    "a reading needs a source: one of signal, derived, highest, lowest, system,"
                    " or access: set"
                )
            for key in ("default", "low", "high", "set_in", "drives"):
                if getattr(self, key) is not None:
                    raise ValueError(f"{key} is for settings: remove it, or write access: set")
            if self.drives_as:
                raise ValueError("drives_as is for settings: remove it, or write access: set")
            if self.saved or self.local:
                raise ValueError("saved and local are for settings: remove them, or write access: set")
        if (self.signal is not None or kept is not None) != (self.every is not None):
            raise ValueError(
                "signal and every go together: a reading from the plant has a sample period,"
                " and so has a highest or lowest"
            )
        if self.drives_as and (self.drives is None or self.choice is None):
            raise ValueError("drives_as gives words of a choice to what it drives: write drives and choice")
        if self.choice is not None and (self.low is not None or self.high is not None):
            raise ValueError("a choice has no limits: remove low and high")
        return self


# ------------------------------------------------------------------------------------- states and actions


class FromPoint(Section):
    """An output that follows a setting: `regulate: {from: sink.mode}`."""

    point: RowName = Field(alias="from", description="The setting that is followed.")


class Provoke(Section):
    """How a tester makes something happen, where a rig has the hands for it. Not on the wire."""

    state: Word = Field(description="Bring the instrument here first.")
    put: dict[Name, Exact | Word] = Field(default={}, description="Settings to put first.")
    bench: dict[Name, Exact | Word] = Field(default={}, description="Bench events that bring it about.")
    relief: dict[Name, Exact | Word] = Field(default={}, description="Bench events that end it.")
    silence: Truth = Field(default=False, description="Send nothing until it happens.")
    within: Duration = Field(description="It happens within this time of the last bench event.")


class Leave(Section):
    """A transition nobody asked for: after a time in the state, or once a condition has held for it."""

    when: Formula | None = Field(default=None, description="Condition that ends the state.")
    after: Duration = Field(default=0, description="Time in the state, or for which the condition holds.")
    to: Word = Field(description="State that it leads to.")
    means: Prose | None = Field(default=None, description="A sentence for people. Not on the wire.")
    provoke: Provoke | None = Field(default=None, description="How a tester brings it about.")


class State(Section):
    """A state of the instrument: what it drives, and how it is left unasked."""

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    initial: Truth = Field(default=False, description="The state after a boot.")
    energised: Truth = Field(default=False, description="The instrument handles power in this state.")
    outputs: dict[Name, Word | Exact | FromPoint] = Field(
        default={}, description="Plant controls held in the state."
    )
    leaves: list[Leave] = Field(default=[], max_length=16, description="How it is left unasked.")


class Pulse(Section):
    """An impulse on a plant control, such as zeroing a counter; or readings that begin again without one."""

    pulse: Name | None = Field(default=None, description="Plant control that gets the impulse.")
    zeroes: list[Name] = Field(
        default=[],
        description="Readings that begin again: at zero, a highest or lowest at what its reading is.",
    )


class Put(Section):
    """Settings that get these values, all at once. Limits must allow that whenever the action is done.

    A value is written here, or is that of another setting (`from`) of the same quantity or choice.
    """

    put: dict[RowName, Exact | Word | FromPoint] = Field(
        min_length=1,
        description="Settings and their values; # in a name is the number that the action is given.",
    )


class Capture(Section):
    """Start filling a record that has a series."""

    capture: Word = Field(description="The record to fill.")


Effect = Literal["save", "recall", "defaults", "reboot", "clear_trip"] | Pulse | Put | Capture
"""`save` and `recall` the saved settings; `defaults` for all settings; `reboot`; `clear_trip` unlatches."""


class Action(Section):
    """Something done on request: allowed where, guarded by what, leading where."""

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    allowed: list[Word] = Field(alias="from", min_length=1, description="States from which it is done.")
    guard: Formula | None = Field(default=None, description="Must hold, else refused `state guard`.")
    to: Word | None = Field(default=None, description="State afterwards; unchanged when absent.")
    keeps: list[Word] = Field(default=[], description="Of the states above, those it does not leave.")
    does: list[Effect] = Field(default=[], description="Effects, in order.")
    gives_ticket: Duration | None = Field(default=None, description="Answers a ticket, good for this time.")
    takes_ticket: Word | Name | None = Field(
        default=None, description="Needs the ticket given by this action."
    )
    many: Whole | None = Field(
        default=None,
        ge=2,
        le=MOST_ROWS,
        description="It takes a number from 0 on, below this: that of the rows which it puts or reads.",
    )
    repeat: Literal["safe", "once"] = Field(description="Whether doing it twice is as good as once.")
    always: Truth = Field(default=False, description="Done even while the front panel has control.")

    @model_validator(mode="after")
    def _one_argument(self) -> Action:
        if self.many is not None and self.takes_ticket is not None:
            raise ValueError("an action takes a ticket or a number: leave out takes_ticket or many")
        return self


# -------------------------------------------------------------------------------------- trips and limits


class Trip(Section):
    """A protection: a condition that holds for a time forces a state."""

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    when: Formula = Field(description="Condition that trips.")
    armed_in: Annotated[list[Word], Field(min_length=1)] | None = Field(
        default=None, alias="in", description="States it watches; all when absent."
    )
    after: Duration = Field(default=0, description="The condition holds this long before it trips.")
    every: Duration = Field(
        default=0,
        description="How often it is looked at: a break that is shorter may pass unseen. 0 when it is watched"
        " all the time, by a comparator say.",
    )
    cleared_when: Formula | None = Field(default=None, description="Gone once this holds (hysteresis).")
    latched: Truth = Field(description="It stays until an action clears it.")
    to: Word = Field(description="State that it leads to.")
    reports: Name = Field(description="Point whose value goes with the notice.")
    provoke: Provoke | None = Field(default=None, description="How a tester brings it about.")


class Limit(Section):
    """The operating envelope: a reading stays inside in these states once settled."""

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    of: Name = Field(description="The reading that stays inside.")
    low: Formula | None = Field(default=None, description="Lower limit.")
    high: Formula | None = Field(default=None, description="Upper limit.")
    armed_in: Annotated[list[Word], Field(min_length=1)] | None = Field(
        default=None, alias="in", description="States in which it holds; all when absent."
    )
    settle: Duration = Field(default=0, description="Time from a change until it is judged.")
    provoke: Provoke | None = Field(default=None, description="Works the instrument against this limit.")


class Derating(Section):
    """A ceiling that falls linearly with a temperature, from its full value to a share of it."""

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    temperature: Name = Field(description="Reading that derates.")
    ceiling: Name = Field(description="The setting that is derated.")
    start: Exact = Field(description="Cel: full ceiling up to here.")
    end: Exact = Field(description="Cel: the floor share from here on.")
    floor: Exact = Field(ge=0, le=1, description="Share of the ceiling that is left at `end`.")
    power: Name | None = Field(default=None, description="The reading that stays below the derated ceiling.")
    provoke: Provoke | None = Field(default=None, description="How a tester brings it about.")


class FanLevel(Section):
    """From this temperature on (rising), this duty."""

    at: Exact = Field(description="Temperature, Cel, at which the level begins.")
    duty: Exact = Field(ge=0, le=1, description="Share of full drive, 0 to 1.")


class Drive(NamedTuple):
    """From this temperature (Cel) on, this share of full drive."""

    at: Fraction
    duty: Fraction


DRIVE_STEPS = 64
"""Of full drive: what a line is followed in, at least as finely."""


class Fan(Section):
    """A fan driven by a temperature, on a tick, with hysteresis on the way down: by levels or on a line."""

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    temperature: Name = Field(description="Reading that drives it.")
    duty: Name = Field(description="Reading that shows its duty.")
    tick: Duration = Field(description="How often the level is chosen.")
    levels: list[FanLevel] = Field(min_length=1, max_length=16, description="Levels by rising temperature.")
    between: Literal["steps", "line"] = Field(
        default="steps",
        description="What is between two levels: the lower one (steps), or the share in proportion (line).",
    )
    hysteresis: Exact = Field(ge=0, description="K below a level's temperature before it is left downwards.")

    @model_validator(mode="after")
    def _line_has_ends(self) -> Fan:
        if self.between == "line" and len(self.levels) < 2:
            raise ValueError("a line needs two levels, its ends: write another one under levels")
        return self

    def drives(self) -> list[Drive]:
        """The levels; where a line is between them, those that it is followed in as well."""
        found = [Drive(Fraction(level.at), Fraction(level.duty)) for level in self.levels]
        if self.between == "line":
            for low, high in pairwise(tuple(found)):
                per_share = (high.at - low.at) / (high.duty - low.duty) if high.duty > low.duty else 0
                first, last = floor(low.duty * DRIVE_STEPS) + 1, ceil(high.duty * DRIVE_STEPS)
                between = (Fraction(step, DRIVE_STEPS) for step in range(first, last))
                found += [Drive(low.at + (duty - low.duty) * per_share, duty) for duty in between]
        return sorted(found)

    @property
    def coarse(self) -> Fraction:
        """How much more than that step of `drives` the share may be."""
        return Fraction(1 if self.between == "line" else 0, DRIVE_STEPS)


# ----------------------------------------------------------------------------------------- laws, records


class Phase(Section):
    """A part of an alternation: a level, and how long it lasts."""

    level: Name = Field(description="Point that the reading is equal to.")
    lasts: Name = Field(description="Point that says for how long, in seconds.")


class Rows(Section):
    """A list of levels and times: rows of points, named with `#`."""

    level: RowName = Field(description="The levels.")
    lasts: RowName = Field(description="For how long each lasts, in seconds.")
    used: Name | None = Field(default=None, description="How many of the rows are used; all when absent.")


class Law(Section):
    """A relation that always holds in these states, once settled.

    Exactly one of: `holds` (a truth expression over readings taken together), `integral_of` with `is`
    (a counter is the time integral of a reading), `never_falls` with `while_rises` (one reading does not
    fall while another rises), `alternates` with `phases` (a reading is at two levels by turns, the first
    from when the state is entered), `rate_of` with `at_most` (a reading changes no faster than a point
    says, in its unit per second), `elapses` (a counter of time runs on as time does), `steps` with `rows` (a
    reading is at the level of one row after the other, from when the state is entered, and then again).
    """

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    holds: Formula | None = Field(default=None, description="A condition over points that is true.")
    integral_of: Name | None = Field(default=None, description="Reading that is summed over time.")
    counter: Name | None = Field(default=None, alias="is", description="The counter that is its integral.")
    tolerance_percent: Exact = Field(
        default=Decimal(1),
        ge=0,
        le=100,
        description="Of an integral or a time; of an alternation's times, and of its step for the levels.",
    )
    never_falls: Name | None = Field(default=None, description="Reading that does not fall.")
    while_rises: Name | None = Field(default=None, description="While this reading rises.")
    alternates: Name | None = Field(default=None, description="Reading that is at two levels by turns.")
    phases: Annotated[list[Phase], Field(min_length=2, max_length=2)] | None = Field(
        default=None, description="Both levels, and how long each lasts."
    )
    counted_by: Name | None = Field(
        default=None,
        description="For alternates: a point that counts the ends of the second level.",
    )
    rate_of: Name | None = Field(default=None, description="Reading whose rate is bounded.")
    at_most: Name | None = Field(default=None, description="Setting that bounds the rate.")
    elapses: Name | None = Field(default=None, description="Counter that runs on as time does.")
    steps: Name | None = Field(
        default=None, description="Reading that is at one row's level after the other."
    )
    rows: Rows | None = Field(default=None, description="The rows that it goes through.")
    when: Formula | None = Field(default=None, description="While this holds; for alternates, rate_of.")
    armed_in: Annotated[list[Word], Field(min_length=1)] | None = Field(
        default=None, alias="in", description="States in which it holds; all when absent."
    )
    settle: Duration = Field(default=0, description="Time from a change until it is judged.")
    provoke: Provoke | None = Field(default=None, description="Works the instrument where the law matters.")

    @model_validator(mode="after")
    def _one_form(self) -> Law:
        forms = (
            self.holds,
            self.integral_of,
            self.never_falls,
            self.alternates,
            self.rate_of,
            self.elapses,
            self.steps,
        )
        if sum(form is not None for form in forms) != 1:
            raise ValueError(
                "a law has exactly one of holds, integral_of, never_falls, alternates, rate_of, elapses,"
                " steps"
            )
        if (self.steps is None) != (self.rows is None):
            raise ValueError("steps and rows go together: name the levels and how long each lasts")
        if (self.integral_of is None) != (self.counter is None):
            raise ValueError("integral_of and is go together: name the counter that is the integral")
        if (self.never_falls is None) != (self.while_rises is None):
            raise ValueError("never_falls and while_rises go together")
        if (self.alternates is None) != (self.phases is None):
            raise ValueError("alternates and phases go together: write both levels and how long each lasts")
        if self.counted_by is not None and self.alternates is None:
            raise ValueError("counted_by is for alternates: it counts the ends of the second level")
        if (self.rate_of is None) != (self.at_most is None):
            raise ValueError("rate_of and at_most go together: name the point that bounds the rate")
        if self.when is not None and self.alternates is None and self.rate_of is None:
            raise ValueError("when is for alternates and rate_of: write it into the other laws' formula")
        return self


FieldType = Literal["u8", "i8", "u16", "i16", "u32", "i32"]


class RecordField(Section):
    """One field of a record: a point's step counts, a constant, or a series of samples."""

    name: Word = Field(description="Name of the field.")
    type: FieldType = Field(description="Unsigned or signed, and its bits.")
    value: Name | Whole = Field(alias="from", description="A point (its step counts), or a constant integer.")
    count: Whole = Field(
        default=1, ge=1, le=1024, description="More than one: a series of samples of the point."
    )
    every: Duration | None = Field(default=None, description="Sample period of a series.")


class Record(Section):
    """A binary layout, sent as bulk parts: fields in order, no padding."""

    means: Prose = Field(description="A sentence for people. Not on the wire.")
    order: Literal["little", "big"] = Field(
        default="little", description="Which byte of a number comes first: the lowest, or the highest."
    )
    fields: list[RecordField] = Field(
        min_length=1, max_length=64, description="Fields in order, without padding."
    )


# --------------------------------------------------------------------------------------- bench and trial


class BenchEvent(Section):
    """Something that can happen around the instrument, by a rig's hand. Not on the wire."""

    means: Prose = Field(description="A sentence for people.")
    value: Word | None = Field(default=None, description="Quantity of its value.")
    choice: list[Word] | None = Field(default=None, description="Words that it can be.")
    base: Exact | Word | None = Field(default=None, description="Value a tester starts from.")
    other: Exact | Word | None = Field(default=None, description="Another harmless value: readings move.")
    moves: dict[Name, Duration] = Field(default={}, description="Readings that have followed by then.")
    shown_by: list[Name] = Field(
        default=[],
        description="Of these, readings that are its value, to their accuracy, in the initial state.",
    )

    @model_validator(mode="after")
    def _shown_in_time(self) -> BenchEvent:
        for name in self.shown_by:
            if name not in self.moves:
                raise ValueError(f"shown_by names {name}: say in moves by when it has followed")
        return self


class Trial(Section):
    """What a tester puts and expects before the instrument is worked hard. Not on the wire."""

    put: dict[Name, Exact | Word] = Field(default={}, description="Settings to put first.")
    settle: Duration = Field(
        default=0, description="Wait after a change of state before readings are judged."
    )
    reset: Name | None = Field(default=None, description="Action that brings the instrument to its defaults.")
    safe: Name | None = Field(
        default=None, description="Action that is always allowed and ends in a safe state."
    )


class Promise(Section):
    """A promise in words that has a number in it: the number is read, and checked."""

    means: Prose = Field(description="A sentence for people.")
    within_ppm: Annotated[int, Field(ge=1, le=1_000_000)] = Field(
        description="What `means` speaks of is right to so many parts in a million."
    )


def _rows(data: Any) -> Any:
    """Points with `many` written out, one for each row: from here on a row is a point like any other."""
    points = data.get("points") if isinstance(data, dict) else None
    if not isinstance(points, dict):
        return data
    written: dict[Any, Any] = {}
    for name, point in points.items():
        many = point.get("many") if isinstance(point, dict) and str(name).count("#") == 1 else None
        if type(many) is not int or not 2 <= many <= MOST_ROWS:
            written[name] = point  # the model says what is wrong with it
            continue
        plain = {key: each for key, each in point.items() if key != "many"}
        rows = {str(name).replace("#", str(row)): _numbered(plain, row) for row in range(many)}
        if twice := sorted(rows.keys() & points.keys()):
            raise ValueError(f"{twice[0]} is a row of {name} and declared besides: give one another name")
        written |= rows
    return {**data, "points": written}


def _numbered(node: Any, row: int) -> Any:
    if isinstance(node, dict):
        return {
            _numbered(key, row): each if key == "text" else _numbered(each, row) for key, each in node.items()
        }
    if isinstance(node, list):
        return [_numbered(each, row) for each in node]
    return node.replace("#", str(row)) if isinstance(node, str) else node


def row_name(name: str) -> Iterator[str]:
    """The names with `#` that a point of this name can be a row of."""
    for found in re.finditer(r"[0-9]+", name):
        yield f"{name[: found.start()]}#{name[found.end() :]}"


def rows_of(document: Document, name: str) -> list[str]:
    """The points that a name with `#` stands for, from row 0 on."""
    rows = (name.replace("#", str(row)) for row in range(MOST_ROWS))
    return list(takewhile(lambda each: each in document.points, rows)) if "#" in name else []


class Document(Section):
    """One instrument's vow, whole."""

    @model_validator(mode="before")
    @classmethod
    def _written_out(cls, data: Any) -> Any:
        return _rows(data)

    vow: VowSection
    wire: Wire
    quantities: dict[Word, Quantity] = Field(
        min_length=1, max_length=100, description="Kinds of number: unit, step, range and accuracy, by name."
    )
    points: dict[Name, Point] = Field(
        min_length=1, max_length=400, description="What can be asked, and what can be put, by name."
    )
    states: dict[Word, State] = Field(
        min_length=1, max_length=64, description="What the instrument can be doing, by name."
    )
    actions: dict[Name, Action] = Field(
        default={}, max_length=100, description="What can be done on request, by name."
    )
    trips: dict[Word, Trip] = Field(default={}, max_length=64, description="Protections, by name.")
    limits: dict[Word, Limit] = Field(
        default={}, max_length=64, description="The operating envelope: readings that stay inside, by name."
    )
    derating: Derating | None = Field(default=None, description="A ceiling that falls with a temperature.")
    fan: Fan | None = Field(default=None, description="A fan that is stepped by a temperature.")
    laws: dict[Word, Law] = Field(
        default={}, max_length=64, description="What always holds between points, by name."
    )
    records: dict[Word, Record] = Field(
        default={}, max_length=32, description="Binary layouts of bulk points, by name."
    )
    promises: dict[Name, Prose | Promise] = Field(
        default={}, max_length=200, description="Promises in words, by name."
    )
    bench: dict[Name, BenchEvent] = Field(
        default={},
        max_length=64,
        description="What can happen around the instrument, by name. Not on the wire.",
    )
    trial: Trial = Trial()
    plant: Plant | None = Field(
        default=None,
        description="The physics of one build; without it the bench gives the readings their values. Not on"
        " the wire.",
    )


OFF_THE_WIRE: dict[str, tuple[str, ...]] = {
    "Document": ("plant", "bench", "trial", "promises"),
    "VowSection": ("title",),
    "Trip": ("provoke",),
    "Leave": ("provoke",),
    "Limit": ("provoke",),
    "Derating": ("provoke",),
    "Law": ("provoke",),
    "Point": ("signal", "drives", "drives_as", "follows"),
    "State": ("outputs",),
    "*": ("means",),
}
"""Fields that do not count in the wire digest, by model class: prose, physics and testing."""
