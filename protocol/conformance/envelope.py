"""The envelope: how far a check may go with a real instrument, and what that means for its document.

An envelope is a YAML file, declared by whoever answers for the source at the terminals (`spec/envelopes/`).
`Reach` holds it against a document, which says by its units which settings are currents, voltages, powers,
resistances and temperatures, and by its states, trips and limits which readings show them. Nothing here
knows what kind of instrument it is.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Set
from dataclasses import dataclass
from fractions import Fraction
from os import PathLike
from typing import Literal

from pydantic import Field

from wirevow.protocol.closure import closure
from wirevow.protocol.document.load import DocumentError, Loaded, Problem, load_yaml_model
from wirevow.protocol.document.model import Exact, Name, Prose, Section, Whole, Word
from wirevow.protocol.vow import PointEntry, TripEntry, Vow, bench_events

PATIENCE_S = 5
"""Longest `link.patience` that is put: so long it goes on when the host dies. It is energised with a shorter
one; a longer one is put only where the watchdog itself is tried."""
RESERVE_S = 3 * PATIENCE_S
"""Of the time energised, this much is kept for a silence that a check keeps on purpose, or is forced to."""
PATIENCE = "link.patience"


class Source(Section):
    """What is wired to the terminals, and who says so."""

    means: Prose
    declared_by: Prose


class Most(Section):
    """What must never be exceeded. Voltage, current and power count without their sign."""

    volts: Exact = Field(gt=0)
    amperes: Exact = Field(gt=0)
    watts: Exact = Field(gt=0)
    celsius: Exact = Field(description="Temperature, as the instrument measures it.")
    seconds: Exact = Field(gt=RESERVE_S, description=f"Energised, in all; {RESERVE_S} s of it are a reserve.")
    coulombs: Exact = Field(gt=0, description="Drawn in all; 3600 C are 1 A.h.")
    saves: Whole = Field(ge=0, description="Writes to the store that keeps settings.")
    silent_seconds: Exact | None = Field(
        default=None,
        gt=0,
        le=PATIENCE_S,
        description="Silence of the host after which it stops itself; by default as short as it can be told.",
    )


class Pack(Section):
    """A battery. Its cells are declared, because two terminals cannot see them."""

    cells: Whole = Field(ge=1, le=1000)
    lowest_volts: Exact = Field(gt=0, description="Of the whole pack, under load.")

    @property
    def lowest_cell_volts(self) -> Fraction:
        """What that is for each cell, if all are alike."""
        return Fraction(self.lowest_volts) / self.cells


class Envelope(Section):
    """One envelope file."""

    document: Word = Field(description="Name of the document of the instrument that it is for.")
    source: Source
    most: Most
    pack: Pack | None = None
    isolated_by: dict[Name, Exact | Word] = Field(
        default={}, description="Bench events of a rig, with values at which no harmful power can flow."
    )

    def text(self) -> str:
        """All of it, for people, on one line."""
        most = self.most
        words = f"{most.volts} V, {most.amperes} A, {most.watts} W, {most.celsius} Cel"
        words += f", {most.seconds} s energised, {most.coulombs} C, {most.saves} saves"
        if most.silent_seconds is not None:
            words += f", on for {most.silent_seconds} s when the host falls silent"
        if self.pack is not None:
            words += (
                f"; at least {self.pack.lowest_volts} V from {self.pack.cells} cells, "
                f"{float(self.pack.lowest_cell_volts):.3g} V each"
            )
        return words


def load_envelope(path: str | PathLike[str], vow: Vow) -> Envelope:
    """The envelope in a file. Raises `DocumentError`, also when it is not for this document."""
    loaded = load_yaml_model(path, Envelope)
    problems = list(_problems(loaded, vow))
    if problems:
        raise DocumentError(loaded.name, problems)
    return loaded.document


def _problems(loaded: Loaded[Envelope], vow: Vow) -> Iterable[Problem]:
    envelope, line = loaded.document, loaded.marks.line
    if envelope.document != vow.identity[0]:
        yield Problem(
            line("document"),
            f'this envelope is for "{envelope.document}", the document is "{vow.identity[0]}": '
            "declare one for this instrument and what is wired to it",
        )
    if envelope.pack is not None and envelope.pack.lowest_volts >= envelope.most.volts:
        yield Problem(
            line("pack", "lowest_volts"),
            "the lowest voltage of the pack is not below most.volts: write the lower one here",
        )
    declared = bench_events(vow.document)
    for event, value in envelope.isolated_by.items():
        where = line("isolated_by", event)
        if event not in declared:
            yield Problem(where, f'the document has no bench event "{event}": write one of its `bench`')
        elif (choices := declared[event].choice) is not None:
            if value not in choices:
                yield Problem(where, f'"{value}" is no choice of {event}: write one of {", ".join(choices)}')
        elif isinstance(value, str):
            yield Problem(where, f"{event} takes a number: write one at which no harmful power can flow")


# ----------------------------------------------------------------------------------------------- the document

Kind = Literal["V", "A", "W", "Ohm", "Cel"]

_UNIT = re.compile(r"([numkM]?)(V|A|W|Ohm)|(Cel)")
_PREFIX = {
    "n": Fraction(1, 10**9),
    "u": Fraction(1, 10**6),
    "m": Fraction(1, 1000),
    "": Fraction(1),
    "k": Fraction(1000),
    "M": Fraction(10**6),
}


def _kind(unit: str) -> tuple[Kind, Fraction] | None:
    """What a UCUM code measures, of that which an envelope bounds, and the SI units in one of it."""
    found = _UNIT.fullmatch(unit)
    if found is None:
        return None
    kind: Kind = "Cel" if found[3] else found[2]  # type: ignore[assignment]
    return kind, _PREFIX[found[1] or ""]


@dataclass(frozen=True, slots=True)
class Range:
    """Values that are allowed, both ends included, in the point's own unit."""

    low: Fraction | None
    high: Fraction | None

    def holds(self, value: Fraction) -> bool:
        """Whether the value is allowed."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    def less(self, error: Fraction) -> Range:
        """The range that is left when values may be off by `error`."""
        return Range(
            None if self.low is None else self.low + error, None if self.high is None else self.high - error
        )

    def text(self, unit: str) -> str:
        """For people."""
        if self.low is None or (self.high is not None and self.low == -self.high):
            return f"at most {float(self.high or 0):g} {unit}"
        if self.high is None:
            return f"at least {float(self.low):g} {unit}"
        return f"{float(self.low):g} to {float(self.high):g} {unit}"


class Reach:
    """What an envelope means for one document: which settings, readings and actions it is about."""

    def __init__(self, vow: Vow, envelope: Envelope) -> None:
        self.vow = vow
        self.envelope = envelope
        self.live = live_states(vow)
        """States in which the instrument handles power, or comes to it by itself."""
        self.energising = energising_actions(vow)
        self.saving = saving_actions(vow)
        starts = {vow.initial} | {
            state
            for name in self.energising
            for state, to in vow.actions[name].to.items()
            if to in self.live and to != state
        }
        self.corrections = {
            entry.name: entry.default
            for entry in vow.settings
            if entry.drives is not None and entry.set_in is not None and not entry.set_in & starts
        }
        """Settings that are put in a state of their own and change what others mean: they stay at default."""
        self.modes = tuple(
            entry.name
            for entry in vow.settings
            if entry.scale is None and entry.drives is not None and entry.name not in self.corrections
        )
        self.settings = {
            entry.name: self._range(entry)
            for entry in vow.settings
            if entry.name not in self.corrections and kind_of(entry) is not None
        }
        """What may be put, by setting."""
        self.patience = Range(None, Fraction(PATIENCE_S))
        self.watchdog = link_watchdog(vow)
        """What stops the instrument when the host falls silent."""
        self.silence = Range(None, self._silence())
        """The patience with which it is energised."""
        self.readings = {name: self._range(vow.points[name]) for name in _limited(vow, self.settings)}
        """What may be read, by reading: beyond it everything stops."""
        self.held = {name: self._inner(*_kind_of(vow.points[name])) for name in self.settings}
        """What settings must be when it is energised: so far inside that a right reading is inside too."""
        self.state_point = vow.system_name("state") or ""
        self.lacking = self._lacking()
        """Why nothing can be energised safely, whatever the envelope says; empty if something can."""

    @property
    def required(self) -> tuple[str, ...]:
        """Everything that is read back before energising."""
        return (*self.modes, *self.settings, *self.corrections, PATIENCE, *self.readings)

    def of_kind(self, kind: Kind) -> list[str]:
        """The readings that are watched of this kind."""
        return [name for name in self.readings if kind_of(self.vow.points[name]) == kind]

    def event_range(self, event: str) -> Range | None:
        """What a bench event's value may be; None for any."""
        declared = bench_events(self.vow.document)[event]
        unit = self.vow.document.quantities[declared.value].unit if declared.value is not None else ""
        found = _kind(unit)
        return None if found is None or found[0] == "Ohm" else self._inner(*found)

    def _range(self, entry: PointEntry) -> Range:
        return self._of(*_kind_of(entry))

    def _of(self, kind: Kind, factor: Fraction) -> Range:
        most, pack = self.envelope.most, self.envelope.pack
        volts, amperes, watts = (Fraction(each) for each in (most.volts, most.amperes, most.watts))
        match kind:
            case "V":
                low = -volts if pack is None else Fraction(pack.lowest_volts)
                return Range(low / factor, volts / factor)
            case "A":
                return Range(-amperes / factor, amperes / factor)
            case "W":
                return Range(-watts / factor, watts / factor)
            case "Ohm":
                # The highest voltage across it must drive neither too much current nor too much power.
                return Range(max(volts / amperes, volts * volts / watts) / factor, None)
            case "Cel":
                return Range(None, Fraction(most.celsius) / factor)

    def _error(self, kind: Kind) -> Fraction:
        """How far right readings of a kind may be off at the end of the envelope, in SI units."""
        high = self._of(kind, Fraction(1)).high
        if high is None:
            return Fraction(0)
        readings = [self.vow.points[name] for name in self.of_kind(kind)]
        errors = [abs(high) * each.reading_error + each.range_error * _factor(each) for each in readings]
        return max(errors, default=Fraction(0))

    def _inner(self, kind: Kind, factor: Fraction) -> Range:
        """So far inside the envelope that a right reading is inside too."""
        return self._of(kind, factor).less(self._error(kind) / factor)

    def _silence(self) -> Fraction:
        """As short as the document allows, or as the envelope says if that is longer."""
        declared = self.envelope.most.silent_seconds
        return max(shortest_patience_s(self.vow), Fraction(declared or 0))

    def _lacking(self) -> str:
        vow = self.vow
        if not self.live:
            return "the document has no state that handles power"
        if vow.initial in self.live:
            return f"it comes to handle power by itself, from its initial state {vow.initial}"
        if vow.document.trial.safe is None:
            return "the document names no safe action (`trial.safe`)"
        if not self.state_point:
            return "the document has no point that shows the state"
        patience = vow.points.get(PATIENCE)
        if patience is None or patience.scale is None or self.watchdog is None:
            return "no trip of the document stops it when the host falls silent (`link.patience`)"
        if patience.number.unit != "s" or patience.number.low * patience.number.step > PATIENCE_S:
            return f"its `{PATIENCE}` cannot be as short as {PATIENCE_S} s"
        for kind, what in (("V", "voltage"), ("A", "current")):
            if not any(kind_of(vow.points[name]) == kind for name in self.readings):
                return f"the document has no reading of the {what} that can be watched"
        for name, allowed in self.held.items():
            if allowed.low is not None and allowed.high is not None and allowed.low > allowed.high:
                return f"{name} is left no value: right readings may be off by more than the envelope"
        return ""


def _limited(vow: Vow, settings: Collection[str]) -> list[str]:
    """Readings that the document holds against a setting of the same kind, or calls a limit's own."""
    document = vow.document
    relations = [trip.when.names for trip in document.trips.values()]
    relations += [action.guard.names for action in document.actions.values() if action.guard is not None]
    relations += [
        leave.when.names
        for state in document.states.values()
        for leave in state.leaves
        if leave.when is not None
    ]
    watched = {limit.of for limit in document.limits.values()}
    for limit in document.limits.values():
        ends = [end.names for end in (limit.low, limit.high) if end is not None]
        relations.append(frozenset({limit.of}.union(*ends)))
    for names in relations:
        kinds = {kind_of(vow.points[name]) for name in names if name in settings}
        watched |= {name for name in names if kind_of(vow.points[name]) in kinds - {None}}
    return [
        name
        for name, entry in vow.points.items()
        if name in watched and entry.source == "signal" and kind_of(entry) not in (None, "Ohm")
    ]


def limited_readings(vow: Vow, kinds: Collection[Kind]) -> dict[str, tuple[Kind, Fraction]]:
    """Readings of these kinds that the document holds against its limits; the SI units in one of theirs."""
    names = _limited(vow, {entry.name for entry in vow.settings if kind_of(entry) is not None})
    found = {name: _kind_of(vow.points[name]) for name in names}
    return {name: each for name, each in found.items() if each[0] in kinds}


def kind_of(entry: PointEntry) -> Kind | None:
    """What a number point measures or sets, of that which an envelope bounds."""
    found = _kind(entry.scale.unit) if entry.scale is not None else None
    return None if found is None else found[0]


def _kind_of(entry: PointEntry) -> tuple[Kind, Fraction]:
    found = _kind(entry.number.unit)
    assert found is not None, f"{entry.name} is not bounded"
    return found


def _factor(entry: PointEntry) -> Fraction:
    return _kind_of(entry)[1]


def live_states(vow: Vow) -> frozenset[str]:
    """States that handle power, and those that unasked transitions lead on from into one."""
    return leading_to(vow, {name for name, state in vow.states.items() if state.energised})


def leading_to(vow: Vow, states: Set[str], *, by_conditions: bool = True) -> frozenset[str]:
    """These states, and those that lead on into one of them, unasked: by time, and by conditions if so."""

    def before(after: str) -> list[str]:
        return [
            name
            for name, state in vow.states.items()
            if any(leave.to == after and (by_conditions or leave.when is None) for leave in state.leaves)
        ]

    return frozenset(closure(states, before))


def link_watchdog(vow: Vow) -> TripEntry | None:
    """The trip that stops the instrument in every live state when the host falls silent, if there is one."""
    live = live_states(vow)
    silence = {each.name for each in vow.points.values() if each.system == "silence"}
    for trip in vow.trips.values():
        names = trip.when.names
        if PATIENCE in names and silence & names and live <= trip.armed_in and trip.to not in live:
            return trip
    return None


def shortest_patience_s(vow: Vow) -> Fraction:
    """The shortest `link.patience` that the document allows; 0 if it has none."""
    entry = vow.points.get(PATIENCE)
    if entry is None or entry.scale is None:
        return Fraction(0)
    return entry.number.low * entry.number.step


def reaction_s(vow: Vow, watchdog: TripEntry) -> Fraction:
    """How long after the patience the document lets its link watchdog act: its delay, how often it is looked
    at, and a step of the silence."""
    silence = next(each for each in vow.points.values() if each.system == "silence")
    looked_ns = watchdog.after_ns + vow.document.trips[watchdog.name].every
    return Fraction(looked_ns, 10**9) + silence.number.step


def if_the_host_dies(vow: Vow) -> str:
    """What stops the instrument when its host dies, for people."""
    watchdog, patience_s = link_watchdog(vow), shortest_patience_s(vow)
    if watchdog is None:
        return "NOTHING stops this instrument if the program or the computer dies: so nothing is energised"
    if patience_s > PATIENCE_S:
        return (
            f"the link watchdog ({watchdog.name}) stops it only after {float(patience_s):g} s or more, "
            "which is too long: so nothing is energised"
        )
    stopped_s = patience_s + reaction_s(vow, watchdog)
    return (
        f"the link watchdog ({watchdog.name}) has to stop it within {float(stopped_s):g} s of silence; "
        "that is tried first, at the lowest level"
    )


def energising_actions(vow: Vow) -> frozenset[str]:
    """Actions that lead into a live state, from any other state, live or not."""
    live = live_states(vow)
    return frozenset(
        name
        for name, action in vow.actions.items()
        if any(to in live and to != state for state, to in action.to.items())
    )


def saving_actions(vow: Vow) -> frozenset[str]:
    """Actions that write to the store."""
    return frozenset(name for name, action in vow.actions.items() if ("save", "") in action.does)


def fitting(entry: PointEntry, counts: int, allowed: Range) -> int:
    """The allowed counts nearest to `counts`; outside the quantity's own range there may be none."""
    step = entry.number.step
    if allowed.high is not None:
        counts = min(counts, allowed.high // step)
    if allowed.low is not None:
        counts = max(counts, -(-allowed.low // step))
    return counts
