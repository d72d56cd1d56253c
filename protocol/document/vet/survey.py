"""What all rules look at: the document with its marks, the ranges of its points, and the list of findings."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cached_property

from wirevow.protocol.document.load import Loaded
from wirevow.protocol.document.model import BenchEvent, Document, Point, Provoke, Quantity
from wirevow.protocol.document.requirements import choices_of
from wirevow.protocol.document.vet.findings import Finding
from wirevow.protocol.document.vet.logic import Prover
from wirevow.protocol.expression import Expression, ExpressionError
from wirevow.protocol.expression.interval import Interval
from wirevow.protocol.quantity import Scale
from wirevow.protocol.vow import bench_events, scale_of

Where = tuple[str | int, ...]

MOST_FINDINGS = 200
"""Nobody mends more at once, and hostile documents would take for ever."""


class Flood(Exception):
    """There are so many findings that vetting stops."""


@dataclass(frozen=True, slots=True)
class Provocation:
    """How a tester makes something happen: where it is written, how long it takes, in which states."""

    where: Where
    name: str
    provoke: Provoke
    after: int
    states: frozenset[str]


@dataclass(frozen=True, slots=True)
class Departure(Provocation):
    """Of a trip, or of a condition that ends a state: what has to hold, and the state that it leads to."""

    when: Expression
    to: str


def _provocation(
    where: Where,
    name: str,
    provoke: Provoke | None,
    after: int,
    states: frozenset[str],
    when: Expression | None = None,
    to: str = "",
) -> Iterator[Provocation]:
    if provoke is None:
        return
    at = (*where, "provoke")
    if when is None:
        yield Provocation(at, name, provoke, after, states)
    else:
        yield Departure(at, name, provoke, after, states, when, to)


class Survey:
    """A document being vetted."""

    def __init__(self, loaded: Loaded[Document]) -> None:
        self.document = loaded.document
        self.marks = loaded.marks
        self.found: list[Finding] = []

    def report(self, code: str, where: Where, message: str, remedy: str) -> None:
        """Add a finding at the line of `where` (keys as written, from the top). Raises `Flood` when full."""
        self.found.append(Finding(code, self.marks.line(*where), message, remedy))
        if len(self.found) >= MOST_FINDINGS:
            raise Flood

    # ------------------------------------------------------------------------------------- points and ranges

    def quantity(self, point: Point) -> Quantity | None:
        return None if point.quantity is None else self.document.quantities[point.quantity]

    @cached_property
    def scales(self) -> Mapping[str, Scale]:
        """Step arithmetic of every number point."""
        return {
            name: scale_of(self.document.quantities[point.quantity])
            for name, point in self.document.points.items()
            if point.quantity is not None
        }

    @cached_property
    def steps(self) -> Mapping[str, Fraction]:
        """The step of every number point."""
        return {name: scale.step for name, scale in self.scales.items()}

    @cached_property
    def full_ranges(self) -> Mapping[str, Interval]:
        """The range of every number point's quantity."""
        return {
            name: (scale.low * scale.step, scale.high * scale.step) for name, scale in self.scales.items()
        }

    @cached_property
    def ranges(self) -> Mapping[str, Interval]:
        """What every number point can be: settings inside their limits, all else in its quantity's range."""
        ranges = dict(self.full_ranges)
        # A limit narrows its setting, and that may narrow another: each round is sound, three are enough.
        for _ in range(3):
            for name, point in self.document.points.items():
                if name in ranges and (point.low is not None or point.high is not None):
                    low, high = ranges[name]
                    if point.low is not None:
                        low = max(low, self._end(point.low, 0, low, ranges))
                    if point.high is not None:
                        high = min(high, self._end(point.high, 1, high, ranges))
                    if low <= high:
                        ranges[name] = (low, high)
        return ranges

    @cached_property
    def prover(self) -> Prover:
        """Proves that one condition implies another."""
        return Prover(self.ranges)

    def _end(
        self, limit: Expression, end: int, otherwise: Fraction, ranges: Mapping[str, Interval]
    ) -> Fraction:
        bounds = self.interval(limit, ranges)
        return otherwise if bounds is None else bounds[end]

    def interval(self, formula: Expression, ranges: Mapping[str, Interval] | None = None) -> Interval | None:
        """Bounds of a number; None when a divisor can be zero, which has a rule of its own."""
        try:
            return formula.interval(self.ranges if ranges is None else ranges)
        except ExpressionError:
            return None

    def truths(self, condition: Expression) -> frozenset[bool]:
        """What a condition can be; both when that cannot be told."""
        try:
            return condition.truths(self.ranges)
        except ExpressionError:
            return frozenset((False, True))

    def is_setting(self, name: str) -> bool:
        """Whether it is a stored setting; the wire's own `link.guard` and `link.notices` are not."""
        point = self.document.points[name]
        return point.access == "set" and point.system is None

    def choices(self, name: str) -> tuple[str, ...]:
        return choices_of(self.document, self.document.points[name])

    @cached_property
    def events(self) -> Mapping[str, BenchEvent]:
        """Bench events, those that come with the parts of the wire included."""
        return bench_events(self.document)

    @cached_property
    def initial(self) -> str:
        states = self.document.states
        return next((name for name, state in states.items() if state.initial), next(iter(states)))

    def provocations(self) -> Iterator[Provocation]:
        """Everything that a tester is told how to provoke."""
        document = self.document
        every = frozenset(document.states)
        for name, trip in document.trips.items():
            states = (every if trip.armed_in is None else frozenset(trip.armed_in)) - {trip.to}
            yield from _provocation(
                ("trips", name), f"trip {name}", trip.provoke, trip.after, states, trip.when, trip.to
            )
        for name, state in document.states.items():
            for index, leave in enumerate(state.leaves):
                label = f"leave {index + 1} of {name}"
                where = ("states", name, "leaves", index)
                yield from _provocation(
                    where, label, leave.provoke, leave.after, frozenset((name,)), leave.when, leave.to
                )
        for key, sections in (("limits", document.limits), ("laws", document.laws)):
            for name, section in sections.items():
                states = every if section.armed_in is None else frozenset(section.armed_in)
                yield from _provocation((key, name), f"{key[:-1]} {name}", section.provoke, 0, states)
        if document.derating is not None:
            yield from _provocation(("derating",), "the derating", document.derating.provoke, 0, every)

    # ---------------------------------------------------------------------------------------------- formulas

    def conditions(self) -> Iterator[tuple[Where, Expression]]:
        """Every truth expression, with where it is."""
        document = self.document
        for name, state in document.states.items():
            for index, leave in enumerate(state.leaves):
                if leave.when is not None:
                    yield ("states", name, "leaves", index, "when"), leave.when
        for name, action in document.actions.items():
            if action.guard is not None:
                yield ("actions", name, "guard"), action.guard
        for name, trip in document.trips.items():
            yield ("trips", name, "when"), trip.when
            if trip.cleared_when is not None:
                yield ("trips", name, "cleared_when"), trip.cleared_when
        for name, law in document.laws.items():
            if law.holds is not None:
                yield ("laws", name, "holds"), law.holds
            if law.when is not None:
                yield ("laws", name, "when"), law.when

    def numbers(self) -> Iterator[tuple[Where, Expression, str]]:
        """Every number expression, with where it is and the point that it is compared with or becomes."""
        document = self.document
        for name, point in document.points.items():
            for key, formula in (("low", point.low), ("high", point.high), ("derived", point.derived)):
                if formula is not None:
                    yield ("points", name, key), formula, name
        for name, limit in document.limits.items():
            for key, formula in (("low", limit.low), ("high", limit.high)):
                if formula is not None:
                    yield ("limits", name, key), formula, limit.of

    def formulas(self) -> Iterator[tuple[Where, Expression]]:
        """Every expression, with where it is."""
        for where, formula, _ in self.numbers():
            yield where, formula
        yield from self.conditions()


def near(word: str, offered: Iterable[str], otherwise: str) -> str:
    """A remedy: the name that was probably meant, or `otherwise`."""
    close = difflib.get_close_matches(word, list(offered), n=1, cutoff=0.7)
    return f'write "{close[0]}"' if close else otherwise


def on_step(value: Decimal | Fraction, scale: Scale) -> bool:
    """Whether the step can express the value."""
    return Fraction(value) % scale.step == 0


def plain(value: Fraction) -> str:
    """A number for people: exact if it has few decimals, else shortened."""
    text = f"{float(value):.9f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
