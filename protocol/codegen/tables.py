"""A document as the rows of the C core's tables.

Points and actions are numbered together in the order of their names, so that all names with the same first
word stand together and the word is kept once. All else keeps the document's order: a choice's index is what
a record carries, and of two protections that are due together the first acts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TypeVar

from wirevow.protocol.codegen.names import GenerateError, distinct, identifier
from wirevow.protocol.codegen.pool import Pool
from wirevow.protocol.codegen.program import FIRST_OPERATION, Compiler, Program
from wirevow.protocol.codegen.spelling import Spelling
from wirevow.protocol.document.model import BOOT_CAUSES, SYSTEM_CHOICES
from wirevow.protocol.message import REASONS
from wirevow.protocol.quantity import MOST_DIGITS, Scale
from wirevow.protocol.record import field_range, parts_of, record_bytes
from wirevow.protocol.vow import PointEntry, Vow, part_bytes, record_of

T = TypeVar("T")
NS_PER_MS = 1_000_000
NONE = 255
"""In a table: no such row. So there are at most 255 rows of a kind."""
MOST_NAMES = FIRST_OPERATION
MOST_TICK_MS = 30_000
EXPECTED = ("none", "number", "digits", "choice", "index", "ticket")
COUNTS = ("saves", "drops", "captures", "boots")
BYTES = ("state", "boot_cause", "control")
"""What the core keeps for the wire itself, in the order in which it does."""
CHOICE_CONSTANTS = {"state": "state", "control": "control", "boot_cause": "cause"}
"""Choices of the wire's own whose constants are not named after their point."""


@dataclass(frozen=True, slots=True)
class QuantityRow:
    unit: int
    digits: int
    grain: int
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class NameRow:
    """A point or an action: where its value comes from, and which of that kind it is.

    `form` is the index of its quantity or of its set of choices.
    """

    name: str
    constant: str
    means: str
    kind: str
    index: int
    form: int
    is_choice: bool


@dataclass(frozen=True, slots=True)
class Group:
    """The names with the same first word: where they begin, and what follows the word and its point."""

    word: str
    rests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SettingRow:
    """A value that the core holds: a setting, or what the wire itself keeps (guard, notices)."""

    name: str
    constant: str
    place: str
    wide: bool
    saved: bool
    default: int
    states: int
    low: int
    """Program of the lower limit, or NONE."""
    high: int


@dataclass(frozen=True, slots=True)
class RuleRow:
    """A condition that makes the instrument act once it has held for a time."""

    condition: Program
    after_ms: int
    armed: int
    to: str


@dataclass(frozen=True, slots=True)
class TripRow:
    name: str
    constant: str
    means: str
    rule: RuleRow
    gone: int
    """Condition that must hold before the trip can be cleared."""
    gone_negated: bool
    latched: bool
    reports: str


@dataclass(frozen=True, slots=True)
class ActionRow:
    name: str
    allowed: int
    keeps: int
    to: str
    guard: int
    first_effect: int
    gives: int
    """Index of how long its ticket is good, or NONE."""
    takes: int
    always: bool
    clears_trip: bool
    many: int


@dataclass(frozen=True, slots=True)
class FieldRow:
    """A field of a record: `source` is "constant", "frozen", "point" or "series"."""

    type: str
    source: str
    index: str
    count: int
    clamp: bool


@dataclass(frozen=True, slots=True)
class RecordRow:
    name: str
    constant: str
    first_field: int
    fields: int
    bytes: int
    part_bytes: int
    last_part: int
    series: bool
    big: bool
    frozen: tuple[tuple[int, str], ...]
    """(slot, point constant) of the values kept when the capture is complete."""


@dataclass(frozen=True, slots=True)
class Output:
    """A control that the states hold: the word or number of each state."""

    name: str
    levels: tuple[tuple[str, str], ...]
    """(constant, what the document says), each once."""
    by_state: tuple[str, ...]


@dataclass(slots=True)
class Tables:
    """Everything the templates write."""

    vow: Vow
    prefix: str
    digest: str
    pool: Pool = field(default_factory=Pool)
    units: Pool = field(default_factory=Pool)
    quantities: list[QuantityRow] = field(default_factory=list)
    sets: list[tuple[int, int]] = field(default_factory=list)
    """Choice sets: (number of the first word in the pool, how many words)."""
    names: list[NameRow] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)
    choices: list[tuple[str, list[tuple[str, str]]]] = field(default_factory=list)
    """(point, its words with their constants)."""
    signals: list[tuple[str, str]] = field(default_factory=list)
    """(constant, point) of each reading, in the order of their indices."""
    settings: list[SettingRow] = field(default_factory=list)
    programs: list[Program] = field(default_factory=list)
    trips: list[TripRow] = field(default_factory=list)
    leaves: list[RuleRow] = field(default_factory=list)
    timeouts: list[tuple[int, int, str]] = field(default_factory=list)
    """(state index, milliseconds, state afterwards)."""
    actions: list[ActionRow] = field(default_factory=list)
    effects: list[tuple[str, str]] = field(default_factory=list)
    tickets_ms: list[int] = field(default_factory=list)
    pulses: list[tuple[str, str]] = field(default_factory=list)
    records: list[RecordRow] = field(default_factory=list)
    fields: list[FieldRow] = field(default_factory=list)
    constants: list[int] = field(default_factory=list)
    frozen: int = 0
    outputs: list[Output] = field(default_factory=list)
    words: dict[str, int] = field(default_factory=dict)
    """The number of the first word of a list in the pool, by what the words are."""
    derived: int = 0
    """How many of the programs, the first ones, are those of derived values."""
    clocks: dict[str, tuple[int, int]] = field(default_factory=dict)
    """System clock -> (milliseconds in one step, greatest count)."""
    extremes: list[tuple[str, bool, int]] = field(default_factory=list)
    """(constant of the reading, whether the highest, quantity) of what is kept of readings."""
    puts: list[tuple[int, int, tuple[str, ...]]] = field(default_factory=list)
    """(setting, value) of what actions put; the value may be another setting, either the first of rows."""
    texts: list[tuple[str, str]] = field(default_factory=list)
    """(constant, words) of the points that never change."""
    reply_bytes: int = 0
    spelling: Spelling = field(default_factory=lambda: Spelling(()))


def tables(vow: Vow) -> Tables:
    """The tables of a document. Raises GenerateError when the C core cannot carry it."""
    return _Builder(vow).build()


class _Builder:
    def __init__(self, vow: Vow) -> None:
        self.vow = vow
        self.document = vow.document
        self.prefix = identifier(vow.identity[0])
        self.out = Tables(vow, self.prefix, vow.identity[2])
        self.states = list(vow.states)
        # By first word, then by the rest: the order of the groups.
        self.all_names = sorted([*vow.points, *vow.actions], key=lambda name: name.partition("."))
        reads = {name: self._name_constant(name) for name in vow.points}
        self.compiler = Compiler(vow, reads, len(self.all_names))

    def build(self) -> Tables:
        out, vow = self.out, self.vow
        for kind, names in (
            ("names", self.all_names),
            ("trips", vow.trips),
            ("states", vow.states),
            ("records", self.document.records),
        ):
            distinct(names, kind)
        if len(self.all_names) > MOST_NAMES:
            raise GenerateError(f"{len(self.all_names)} points and actions: the C core holds {MOST_NAMES}")
        if len(self.states) > 32:
            raise GenerateError(f"{len(self.states)} states: the C core holds at most 32")
        # Sets of choices first, for their places are kept in tables.
        for name in self.all_names:
            if name in vow.points and vow.points[name].kind == "choice":
                out.pool.run(vow.points[name].choices)
        for what, words in (
            ("verbs", ("ask", "put", "act")),
            ("answers", ("ok", "refuse", "note")),
            ("identity", vow.identity),
            ("reasons", REASONS),
            ("expected", EXPECTED),
            ("events", ("boot", "trip", "state", "local", "control")),
            ("guard", ("guard",)),
            ("causes", BOOT_CAUSES),
            ("control", SYSTEM_CHOICES["control"]),
            ("states", self.states),
            ("trips", tuple(vow.trips)),
        ):
            out.words[what] = out.pool.run(words)
        # First, so that the number of a derived value is that of its program.
        derived = [self._derived(vow.points[name]) for name in self.all_names if name in vow.points]
        out.derived = 1 + max((number for number in derived if number is not None), default=-1)
        self._settings()
        self._records()
        for name in self.all_names:
            self._name(name)
        self._groups()
        self._trips()
        self._leaves()
        for name in sorted(vow.actions):
            self._action(name)
        self._outputs()
        out.reply_bytes = self._longest_line()
        names = [word for group in out.groups for word in (group.word, *group.rests)]
        out.spelling = Spelling([*out.pool.words, *out.units.words, *names])
        if len(out.programs) >= NONE:
            raise GenerateError(f"{len(out.programs)} limits and conditions: the C core holds {NONE - 1}")
        return out

    # ------------------------------------------------------------------------------------------ names

    def _name_constant(self, name: str) -> str:
        kind = "point" if name in self.vow.points else "action"
        return f"{self.prefix}_{kind}_{name.replace('.', '_')}".upper()

    def _name(self, name: str) -> None:
        if name in self.vow.actions:
            index = sorted(self.vow.actions).index(name)
            means = self.document.actions[name].means
            self.out.names.append(NameRow(name, self._name_constant(name), means, "ACTION", index, 0, False))
            return
        entry = self.vow.points[name]
        kind, index = self._source(entry)
        form, is_choice = 0, False
        if entry.scale is not None:
            form = self._quantity(entry.scale)
        elif entry.kind == "choice":
            form, is_choice = self._set(entry.choices), True
            if entry.system not in CHOICE_CONSTANTS:
                words = [(self._choice_constant(entry, word), word) for word in entry.choices]
                self.out.choices.append((entry.name, words))
        means = self.document.points[name].means
        self.out.names.append(NameRow(name, self._name_constant(name), means, kind, index, form, is_choice))

    def _choice_constant(self, entry: PointEntry, word: str) -> str:
        kind = CHOICE_CONSTANTS.get(entry.system or "", entry.name.replace(".", "_"))
        return f"{self.prefix}_{kind}_{word}".upper()

    def _groups(self) -> None:
        for row in self.out.names:
            word, _, rest = row.name.partition(".")
            if self.out.groups and self.out.groups[-1].word == word:
                last = self.out.groups.pop()
                self.out.groups.append(Group(word, (*last.rests, rest)))
            else:
                self.out.groups.append(Group(word, (rest,)))

    def _settings(self) -> None:
        """Values that need 32 bits first, the unsaved, then the saved; then the narrow, the other way round.

        So what a save keeps is one piece, and so is what `defaults` sets.
        """
        wide: list[PointEntry] = []
        narrow: list[PointEntry] = []
        for entry in self.vow.settings:
            low, high = (entry.number.low, entry.number.high) if entry.scale else (0, len(entry.choices) - 1)
            (narrow if low >= 0 and high <= 0xFFFF else wide).append(entry)
        wide.sort(key=lambda entry: entry.saved)
        narrow.sort(key=lambda entry: not entry.saved)
        every = (1 << len(self.states)) - 1
        for at, entry in enumerate(wide + narrow):
            is_wide = at < len(wide)
            default = entry.default if isinstance(entry.default, int) else entry.choices.index(entry.default)
            self.out.settings.append(
                SettingRow(
                    name=entry.name,
                    constant=f"{self.prefix}_{identifier(entry.name)}".upper(),
                    place=f"wide[{at}]" if is_wide else f"narrow[{at - len(wide)}]",
                    wide=is_wide,
                    saved=entry.saved,
                    default=default,
                    states=every if entry.set_in is None else self._mask(entry.set_in),
                    low=self._limit(entry, "low"),
                    high=self._limit(entry, "high"),
                )
            )
        for at, (system, default) in enumerate((("guard", 0), ("notices", 1))):
            point = next((each for each in self.vow.points.values() if each.system == system), None)
            states = every if point is None or point.set_in is None else self._mask(point.set_in)
            self.out.settings.append(
                SettingRow(
                    name=system if point is None else point.name,
                    constant="",
                    place=f"narrow[{len(narrow) + at}]",
                    wide=False,
                    saved=False,
                    default=default,
                    states=states,
                    low=NONE,
                    high=NONE,
                )
            )
        if len(self.out.settings) >= NONE:
            raise GenerateError(f"{len(self.out.settings)} settings: the C core holds at most {NONE - 1}")

    def _limit(self, entry: PointEntry, which: str) -> int:
        expression = entry.low if which == "low" else entry.high
        if expression is None:
            return NONE
        return self._program(
            self.compiler.number(
                expression,
                entry.number.step,
                "UP" if which == "low" else "DOWN",
                f"{entry.name}: {which}",
                (entry.number.low, None) if which == "low" else (None, entry.number.high),
            )
        )

    def _program(self, program: Program) -> int:
        codes = [each.code for each in self.out.programs]
        if program.code not in codes:
            self.out.programs.append(program)
            return len(self.out.programs) - 1
        return codes.index(program.code)

    def _source(self, entry: PointEntry) -> tuple[str, int]:
        out = self.out
        if entry.settable:
            return "SETTING", next(i for i, row in enumerate(out.settings) if row.name == entry.name)
        if entry.source == "signal":
            out.signals.append((f"{self.prefix}_signal_{identifier(entry.name)}".upper(), entry.name))
            return "SIGNAL", len(out.signals) - 1
        if entry.extreme_of is not None:
            signal = f"{self.prefix}_signal_{identifier(entry.extreme_of)}".upper()
            out.extremes.append((signal, entry.highest, self._quantity(entry.number)))
            return "EXTREME", len(out.extremes) - 1
        derived = self._derived(entry)
        if derived is not None:
            return "DERIVED", derived
        if entry.text:
            words = " ".join(entry.text).replace("#", "0")
            out.texts.append((f"{self.prefix}_text_{identifier(entry.name)}".upper(), words))
            return "TEXT", len(out.texts) - 1
        if entry.record is not None:
            return "RECORD", [row.name for row in out.records].index(entry.name)
        assert entry.system is not None
        if entry.system in ("uptime", "silence"):
            return "CLOCK", self._clock(entry)
        if entry.system in COUNTS:
            return "COUNT", COUNTS.index(entry.system)
        if entry.system in BYTES:
            return "BYTE", BYTES.index(entry.system)
        if entry.system in ("guard", "notices"):
            raise GenerateError(f"{entry.name}: it can always be put; write access: set")
        return entry.system.upper(), 0

    def _derived(self, entry: PointEntry) -> int | None:
        if entry.derived is None:
            return None
        return self._program(
            self.compiler.number(entry.derived, entry.number.step, "NEAR", f"{entry.name}: derived")
        )

    def _clock(self, entry: PointEntry) -> int:
        step_ms = entry.number.step * 1000
        if step_ms.denominator != 1:
            raise GenerateError(
                f"{entry.name}: the step of a clock is at least 1 ms in C; give its quantity the step 0.001"
            )
        if step_ms > MOST_TICK_MS:
            raise GenerateError(f"{entry.name}: in C the step of a clock is at most 30 s")
        assert entry.system is not None
        self.out.clocks[entry.system] = (int(step_ms), entry.number.high)
        return list(self.out.clocks).index(entry.system)

    def _quantity(self, scale: Scale) -> int:
        unit = self.out.units.run(("" if scale.unit == "1" else scale.unit,))
        row = QuantityRow(unit, scale.digits, scale.grain, scale.low, scale.high)
        return _index(self.out.quantities, row)

    def _set(self, words: Sequence[str]) -> int:
        return _index(self.out.sets, (self.out.pool.run(words), len(words)))

    # ------------------------------------------------------------------------------- states and actions

    def _mask(self, states: Iterable[str]) -> int:
        return sum(1 << self.states.index(state) for state in states)

    def _state(self, name: str) -> str:
        return f"{self.prefix}_state_{name}".upper()

    def _trips(self) -> None:
        for name, trip in self.vow.trips.items():
            when = self.compiler.condition(trip.when, f"trip {name}: when", fine=True)
            gone = self.compiler.condition(
                trip.cleared_when or trip.when, f"trip {name}: cleared_when", fine=False
            )
            rule = RuleRow(
                when, _ms(trip.after_ns, f"trip {name}: after"), self._mask(trip.armed_in),
                self._state(trip.to),
            )  # fmt: skip
            self.out.trips.append(
                TripRow(
                    name=name,
                    constant=f"{self.prefix}_trip_{identifier(name)}".upper(),
                    means=self.document.trips[name].means,
                    rule=rule,
                    gone=self._program(gone),
                    gone_negated=trip.cleared_when is None,
                    latched=trip.latched,
                    reports=self._name_constant(trip.reports),
                )
            )

    def _leaves(self) -> None:
        for index, (name, state) in enumerate(self.vow.states.items()):
            for leave in state.leaves:
                after_ms = _ms(leave.after_ns, f"state {name}: after")
                if leave.when is None:
                    self.out.timeouts.append((index, after_ms, self._state(leave.to)))
                    continue
                when = self.compiler.condition(leave.when, f"state {name}: when", fine=True)
                rule = RuleRow(when, after_ms, 1 << index, self._state(leave.to))
                self.out.leaves.append(rule)

    def _action(self, name: str) -> None:
        out = self.out
        action = self.vow.actions[name]
        targets = {state: to for state, to in action.to.items() if to != state}
        # The document's own words, so that a state that is its own target is entered anew for a ticket.
        to = self._state(next(iter(targets.values()))) if targets else "0"
        keeps = self._mask(state for state, target in action.to.items() if target == state)
        first = len(out.effects)
        for at, (effect, what) in enumerate(action.does):
            index = "0"
            if effect == "pulse":
                constant = f"{self.prefix}_pulse_{identifier(what)}".upper()
                if (constant, what) not in out.pulses:
                    out.pulses.append((constant, what))
                index = constant
            elif effect in ("put", "copy"):
                index = str(self._put(effect, what))
            elif effect == "begin":
                index = str([name for name in self.all_names if self._extreme(name)].index(what))
            elif effect == "capture":
                index = self._record_constant(what)
            putting = effect in ("put", "copy")
            out.effects.append(("PUT" if putting else effect.upper(), index))
            if putting and not {"put", "copy"} & {kind for kind, _ in action.does[at + 1 : at + 2]}:
                out.effects.append(("CHANGED", "0"))  # when all of them are there
        out.actions.append(
            ActionRow(
                name=name,
                allowed=self._mask(action.to),
                keeps=keeps,
                to=to,
                guard=(
                    NONE
                    if action.guard is None
                    else self._program(
                        self.compiler.condition(action.guard, f"action {name}: guard", fine=False)
                    )
                ),
                first_effect=first,
                gives=NONE if action.gives_ticket_ns is None else self._ticket(name, action.gives_ticket_ns),
                takes=NONE
                if action.takes_ticket is None
                else sorted(self.vow.actions).index(action.takes_ticket),
                always=action.always,
                many=action.many,
                clears_trip=any(effect == "clear_trip" for effect, _ in action.does) and bool(self.vow.trips),
            )
        )

    def _put(self, effect: str, what: str) -> int:
        name, _, value = what.partition(" ")
        entry = self.vow.points[name.replace("#", "0")]
        how = ("TO_ROW",) if "#" in name else ()
        if effect == "copy":
            count = self._setting_index(value)
            how = (*how, "OF_SETTING", *(("OF_ROW",) if "#" in value else ()))
        else:
            count = int(value) if entry.scale is not None else entry.choices.index(value)
        return _index(self.out.puts, (self._setting_index(name), count, how))

    def _setting_index(self, name: str) -> int:
        """Of rows the first: the others follow."""
        first = name.replace("#", "0")
        return next(index for index, row in enumerate(self.out.settings) if row.name == first)

    def _extreme(self, name: str) -> bool:
        return name in self.vow.points and self.vow.points[name].extreme_of is not None

    def _ticket(self, name: str, good_ns: int) -> int:
        good_ms = _ms(good_ns, f"action {name}")
        if not good_ms:
            raise GenerateError(f"action {name}: a ticket is good for at least 1 ms: write a longer time")
        return _index(self.out.tickets_ms, good_ms)

    def _outputs(self) -> None:
        controls = list(dict.fromkeys(name for state in self.vow.states.values() for name in state.outputs))
        for control in controls:
            raw = [self.document.states[name].outputs.get(control) for name in self.states]
            said = [_plain(value) for value in raw if isinstance(value, str | Decimal)]
            if len(said) < len(self.states):
                continue  # left open in some state, or following a setting: the application's own business
            stem = f"{self.prefix}_{identifier(control)}"
            constants = {text: f"{stem}_{_word(text)}".upper() for text in said}
            self.out.outputs.append(
                Output(
                    identifier(control),
                    tuple((constant, text) for text, constant in constants.items()),
                    tuple(constants[text] for text in said),
                )
            )

    # ---------------------------------------------------------------------------------------- records

    def _record_constant(self, name: str) -> str:
        return f"{self.prefix}_record_{identifier(name)}".upper()

    def _records(self) -> None:
        out = self.out
        for name in sorted(self.vow.points):
            entry = self.vow.points[name]
            if entry.record is None:
                continue
            record = record_of(self.vow, entry)
            series = any(each.count > 1 for each in record.fields)
            first = len(out.fields)
            frozen: list[tuple[int, str]] = []
            for each in record.fields:
                low, high = field_range(each.type)
                if isinstance(each.value, int):
                    row = FieldRow(
                        each.type,
                        "CONSTANT",
                        str(_index(out.constants, min(max(each.value, low), high))),
                        1,
                        False,
                    )
                    out.fields.append(row)
                    continue
                of = self.vow.points[each.value]
                if of.kind not in ("number", "choice"):
                    raise GenerateError(f"record {entry.record}: {of.name} is neither a number nor a choice")
                least, greatest = (of.number.low, of.number.high) if of.scale else (0, len(of.choices) - 1)
                clamp = least < low or greatest > high
                constant = self._name_constant(of.name)
                if each.count > 1:
                    out.fields.append(FieldRow(each.type, "SERIES", constant, each.count, clamp))
                elif series:
                    frozen.append((out.frozen, constant))
                    out.fields.append(FieldRow(each.type, "FROZEN", str(out.frozen), 1, clamp))
                    out.frozen += 1
                else:
                    out.fields.append(FieldRow(each.type, "POINT", constant, 1, clamp))
            size = part_bytes(self.vow, entry)
            out.records.append(
                RecordRow(
                    name=name,
                    constant=self._record_constant(entry.record),
                    first_field=first,
                    fields=len(record.fields),
                    bytes=record_bytes(record),
                    part_bytes=size,
                    last_part=parts_of(record, size) - 1,
                    series=series,
                    big=record.order == "big",
                    frozen=tuple(frozen),
                )
            )
        if len({row.constant for row in out.records}) < len(out.records):
            raise GenerateError("two points answer the same record: the C core needs one point for each")

    # ------------------------------------------------------------------------------------- line lengths

    def _longest_line(self) -> int:
        """Bytes of the longest line that the core sends, its LF counted."""
        unit = max((len(word) for word in self.out.units.words), default=0)
        number = MOST_DIGITS + 2 + 1 + unit
        word = max(len(word) for word in self.out.pool.words)
        point = max(len(name) for name in self.vow.points)
        bulk = max((2 * row.part_bytes + 1 + MOST_DIGITS for row in self.out.records), default=0)
        identity = sum(len(word) + 1 for word in self.vow.identity)
        text = max((len(words) for _, words in self.out.texts), default=0)
        trip = max((len(name) for name in self.vow.trips), default=0) + 1 + max(number, word)
        reply = len("@ffff ok ") + max(bulk, identity, text, number, trip, word)
        refusal = len("@ffff refuse range ") + max(2 * number, word + 1 + word)
        notice = len("note 65535 control ") + point + 1 + max(number, trip)
        return max(reply, refusal, notice) + len(" ~FFFF\n")


def _index(rows: list[T], row: T) -> int:
    if row not in rows:
        rows.append(row)
    return rows.index(row)


def _ms(ns: int, where: str) -> int:
    """Whole milliseconds: the core's clock."""
    if ns % NS_PER_MS or ns // NS_PER_MS >= 2**31:
        raise GenerateError(f"{where}: the C core's clock counts milliseconds and 24 days: write whole ms")
    return ns // NS_PER_MS


def _plain(value: str | Decimal) -> str:
    return value if isinstance(value, str) else format(value.normalize(), "f")


def _word(text: str) -> str:
    return text.replace("-", "minus_").replace(".", "_")
