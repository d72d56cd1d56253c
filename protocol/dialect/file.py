"""Dialect files: what of a document some firmware has, and how it says so (`spec/dialect.md`).

A `Dialect` is the file, as it was read; a `Phrasebook` is that file held against its document, every template
ready. All that is wrong is found here, with its place and its remedy.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from fractions import Fraction
from os import PathLike
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from wirevow.protocol.dialect.template import (
    ANYTHING,
    NUMBER,
    TEXT,
    TICKET,
    Form,
    Template,
    TemplateError,
    words_form,
)
from wirevow.protocol.document.load import DocumentError, Loaded, Problem, load_yaml_model
from wirevow.protocol.document.model import Duration, Name, Prose, Section, System, Whole, Word
from wirevow.protocol.quantity import MOST_DIGITS, Scale
from wirevow.protocol.units import convertible, physics_unit, si_per_unit, units_of
from wirevow.protocol.vow import PointEntry, Vow

Feature = Literal["tags", "checks", "notices", "identity", "tickets", "bulk", "local", "watchdog"]
Line = Annotated[str, StringConstraints(min_length=1, max_length=200)]

NEVER: tuple[Feature, ...] = ("tags", "checks", "notices", "bulk", "local")
"""What a dialect has no words for: where the document has it, the firmware lacks it."""

POINTS_OF: dict[System, Feature] = {
    "identity": "identity",
    "guard": "checks",
    "notices": "notices",
    "drops": "notices",
    "silence": "watchdog",
    "control": "local",
    "captures": "bulk",
}
"""Points that are there for a feature alone: who lacks it lacks them."""

ENDS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n"}


class About(Section):
    """Whose dialect it is."""

    document: Word = Field(description="Name of the document that the firmware is to keep.")
    means: Prose = Field(description="What speaks it, for people.")


class Lines(Section):
    """How lines go to the firmware and come from it."""

    ends: Literal["lf", "cr", "crlf"] = Field(default="lf", description="Line end, both ways.")
    deadline: Duration | None = Field(
        default=None, description="Longest time to an answer; the document's reply_deadline when absent."
    )


class Refusal(Section):
    """An answer that means no."""

    says: Line = Field(description="The template of the answer.")
    reason: Literal["access", "type", "unit", "state", "range", "busy", "fault", "unknown"] | None = Field(
        default=None, description="The reason of the wire that it tells; absent where it tells none."
    )


class PointPhrases(Section):
    """How a point is asked for and put."""

    ask: Line | None = Field(default=None, description="The request for its value.")
    says: Line | None = Field(default=None, description="The answer to it, with {value} or the point's name.")
    put: Line | None = Field(default=None, description="The request that puts {value}.")
    took: Line | None = Field(
        default=None, description="The answer to that; absent where it answers nothing unless it refuses."
    )
    unit: str | None = Field(default=None, description="Unit of its numbers; the document's when absent.")
    digits: Whole | None = Field(default=None, ge=0, lt=MOST_DIGITS, description="Digits after the point.")
    words: dict[Word, Line] = Field(default={}, description="By the document's word: the firmware's.")


class ActionPhrases(Section):
    """How an action is asked for."""

    do: Line = Field(description="The request.")
    done: Line | None = Field(
        default=None, description="The answer to it; absent where it answers nothing unless it refuses."
    )


class Dialect(Section):
    """One dialect file."""

    dialect: About
    line: Lines = Lines()
    lacks: list[Feature | Name] = Field(default=[], description="What of the document the firmware has not.")
    refusals: list[Refusal] = Field(min_length=1, max_length=64)
    aside: list[Line] = Field(default=[], max_length=16, description="Lines of the firmware to pass over.")
    points: dict[Name, PointPhrases]
    actions: dict[Name, ActionPhrases] = Field(default={})


@dataclass(frozen=True, slots=True)
class Phrase:
    """A request and its answer. `answer` is None where nothing comes unless it is refused."""

    request: Template
    answer: Template | None


@dataclass(frozen=True, slots=True)
class Spelling:
    """How the firmware writes the values of one point."""

    entry: PointEntry
    words: Mapping[str, str]
    """By the document's word, of a choice."""
    factor: Fraction
    """The firmware's units in one of the document's."""
    digits: int

    def text(self, words: tuple[str, ...]) -> str:
        """The value, given as its words on the wire, as the firmware writes it."""
        if self.entry.scale is not None:
            number = Fraction(words[0]) * self.factor
            return Scale("1", self.digits, 1, 0, 0).text(Scale("1", self.digits, 1, 0, 0).nearest(number))
        return " ".join(words) if self.entry.kind == "words" else self.words[words[0]]

    def value(self, text: str) -> tuple[str, ...] | None:
        """What the firmware wrote, as the wire's words: the nearest step; None if it cannot be."""
        scale = self.entry.scale
        if scale is not None:
            counts = scale.nearest(Fraction(text) / self.factor)
            fits = len(scale.text(abs(counts)).replace(".", "")) <= MOST_DIGITS
            return scale.words(counts) if fits else None
        if self.entry.kind == "words":
            return tuple(text.split())
        return next(((word,) for word, theirs in self.words.items() if theirs == text), None)

    @property
    def form(self) -> Form:
        """What may stand for it in a line."""
        if self.entry.scale is not None:
            return NUMBER
        return TEXT if self.entry.kind == "words" else words_form(tuple(self.words.values()))


@dataclass(frozen=True, slots=True)
class Phrasebook:
    """A dialect held against its document: what is asked how, and what the answers mean."""

    vow: Vow
    dialect: Dialect
    name: str
    """The file's."""
    spellings: Mapping[str, Spelling]
    asks: Mapping[str, Phrase]
    puts: Mapping[str, Phrase]
    acts: Mapping[str, Phrase]
    refusals: tuple[tuple[Template, str | None], ...]
    aside: tuple[Template, ...]

    @property
    def deadline_ns(self) -> int:
        """Longest time to the firmware's answer."""
        own = self.dialect.line.deadline
        return self.vow.document.wire.reply_deadline if own is None else own

    @property
    def end(self) -> bytes:
        """What ends a line."""
        return ENDS[self.dialect.line.ends]

    def lacks(self, feature: Feature) -> bool:
        """Whether the firmware has not this."""
        return feature in self.dialect.lacks

    def told(self, name: str, answer: Template) -> bool:
        """Whether this answer carries the value of this point."""
        return "value" in answer.fields or name in answer.fields

    def unsaid(self) -> list[str]:
        """Settings of which nobody knows what a put made: no value is answered, nor can one be asked."""
        return [
            name
            for name, phrase in self.puts.items()
            if name not in self.asks and not (phrase.answer is not None and self.told(name, phrase.answer))
        ]


def document_of(path: str | PathLike[str]) -> str:
    """The name of the document that a dialect is for. Raises `DocumentError`."""
    return load_yaml_model(path, Dialect).document.dialect.document


def load_phrasebook(path: str | PathLike[str], vow: Vow) -> Phrasebook:
    """The dialect in a file, held against its document. Raises `DocumentError`, at its lines."""
    loaded = load_yaml_model(path, Dialect)
    maker = _Maker(loaded, vow)
    book = maker.book()
    if maker.problems:
        raise DocumentError(loaded.name, sorted(maker.problems, key=lambda each: each.line or 0))
    return book


class _Maker:
    """Holds a dialect against a document; what is wrong is noted, all of it."""

    def __init__(self, loaded: Loaded[Dialect], vow: Vow) -> None:
        self.problems: list[Problem] = []
        self._loaded = loaded
        self._dialect = loaded.document
        self._vow = vow
        self._spellings: dict[str, Spelling] = {}

    def book(self) -> Phrasebook:
        dialect, vow = self._dialect, self._vow
        if dialect.dialect.document != vow.identity[0]:
            self._wrong(
                ("dialect", "document"),
                f'this dialect is for "{dialect.dialect.document}", the document is "{vow.identity[0]}": '
                "give the document that it is for",
            )
        self._names()
        for name in dialect.points:
            if (entry := vow.points.get(name)) is not None and entry.record is None:
                self._spellings[name] = self._spelling(entry)
        asks: dict[str, Phrase] = {}
        puts: dict[str, Phrase] = {}
        acts: dict[str, Phrase] = {}
        for name, phrases in dialect.points.items():
            if name in self._spellings:
                asks |= self._ask(name, phrases)
                puts |= self._put(name, phrases)
        for name, deed in dialect.actions.items():
            if name in vow.actions:
                acts |= self._act(name, deed)
        refusals = [
            (template, each.reason)
            for index, each in enumerate(dialect.refusals)
            if (template := self._template(("refusals", index, "says"), each.says, None)) is not None
        ]
        aside = [
            template
            for index, each in enumerate(dialect.aside)
            if (template := self._template(("aside", index), each, None)) is not None
        ]
        book = Phrasebook(
            vow, dialect, self._loaded.name, self._spellings, asks, puts, acts, tuple(refusals), tuple(aside)
        )
        if not self.problems:
            self._ambiguous(book)
        return book

    def _wrong(self, where: tuple[str | int, ...], message: str) -> None:
        self.problems.append(Problem(self._loaded.marks.line(*where), message))

    # -------------------------------------------------------------------------------------- what there is

    def _names(self) -> None:
        """Every point and action is there or lacked, and nothing else is."""
        vow, dialect = self._vow, self._dialect
        sections: tuple[tuple[str, Iterable[str], Iterable[str]], ...] = (
            ("points", dialect.points, vow.points),
            ("actions", dialect.actions, vow.actions),
        )
        for section, given, known in sections:
            for name in given:
                if name not in known:
                    self._wrong((section, name), f"the document has no {name}{_near(name, known)}")
                elif name in dialect.lacks:
                    self._wrong((section, name), f"{name} is here and under lacks: remove one of them")
        features = {"tags", "checks", *vow.parts, *(["identity"] if vow.system_name("identity") else [])}
        if any(action.gives_ticket_ns is not None for action in vow.actions.values()):
            features.add("tickets")
        for index, name in enumerate(dialect.lacks):
            if name in dialect.lacks[:index]:
                self._wrong(("lacks", index), f"{name} is here twice: remove one of them")
            elif name not in features and name not in vow.points and name not in vow.actions:
                all_ = [*sorted(features), *vow.points, *vow.actions]
                self._wrong(("lacks", index), f"the document has no {name} to lack{_near(name, all_)}")
        for feature in NEVER:
            if feature in features and feature not in dialect.lacks:
                self._wrong(
                    ("lacks",), f"a dialect has no words for {feature}: add {feature} to lacks, as it is"
                )
        for name, entry in vow.points.items():
            if name not in dialect.points and not lacked(name, entry, dialect):
                self._wrong(("points",), f"nothing says how {name} is asked: add it, or write it under lacks")
        for name in vow.actions:
            if name not in dialect.actions and name not in dialect.lacks:
                self._wrong(("actions",), f"nothing says how {name} is done: add it, or write it under lacks")
        state = vow.system_name("state")
        if state in dialect.lacks:
            self._wrong(
                ("lacks",), f"without {state} nothing can be judged: say which answer shows the state"
            )

    def _spelling(self, entry: PointEntry) -> Spelling:
        phrases, where = self._dialect.points[entry.name], ("points", entry.name)
        factor, digits = Fraction(1), 0
        if entry.scale is not None:
            own, theirs = entry.scale.unit, phrases.unit or entry.scale.unit
            if theirs != own and not convertible(theirs, physics_unit(own)):
                units = ", ".join(units_of(physics_unit(own)))
                self._wrong((*where, "unit"), f"{entry.name} is in {own}, not {theirs}: write one of {units}")
            factor = Fraction(str(si_per_unit(own))) / Fraction(str(si_per_unit(theirs)))
            digits = entry.scale.digits if phrases.digits is None else phrases.digits
        else:
            for key in ("unit", "digits"):
                if getattr(phrases, key) is not None:
                    self._wrong((*where, key), f"{entry.name} is no number: remove {key}")
        words = {word: phrases.words.get(word, word) for word in entry.choices}
        for word in phrases.words:
            if word not in words:
                self._wrong((*where, "words", word), f"{entry.name} is never {word}{_near(word, words)}")
        texts = list(words.values())
        for word, text in words.items():
            if texts.count(text) > 1 and word in phrases.words:
                self._wrong((*where, "words", word), f"{text!r} stands for two words: write another")
        return Spelling(entry, words, factor, digits)

    # -------------------------------------------------------------------------------------------- templates

    def _template(self, where: tuple[str | int, ...], text: str, own: str | None) -> Template | None:
        """`own` is the point or action that it is about, None for none."""

        def form(field: str) -> Form:
            if field == "_":
                return ANYTHING
            action = self._vow.actions.get(own or "")
            if field == "ticket" and action is not None and "tickets" not in self._dialect.lacks:
                return TICKET
            if field == "number" and action is not None and action.many:
                return words_form(tuple(map(str, range(action.many))))
            name = own if field == "value" and own in self._spellings else field
            if name not in self._spellings:
                known = [*self._spellings, "value", "_"]
                why = f"{{{field}}} is no point that this dialect has{_near(field, known)}"
                raise TemplateError(f"{text!r}: {why}")
            return self._spellings[str(name)].form

        try:
            return Template(text, form)
        except TemplateError as wrong:
            self._wrong(where, str(wrong))
            return None

    def _phrase(
        self, where: tuple[str, str], asked: tuple[str, str], told: tuple[str, str | None]
    ) -> Phrase | None:
        request = self._template((*where, asked[0]), asked[1], where[1])
        answer = None if told[1] is None else self._template((*where, told[0]), told[1], where[1])
        if request is None or (answer is None) != (told[1] is None):
            return None
        if "_" in request.fields:
            self._wrong((*where, asked[0]), f"{request.text!r}: what {{_}} would be is not known: write it")
        return Phrase(request, answer)

    def _ask(self, name: str, phrases: PointPhrases) -> dict[str, Phrase]:
        where = ("points", name)
        if (phrases.ask is None) != (phrases.says is None):
            self._wrong((*where, "ask"), f"{name}: ask and says go together: write both, or neither")
        if phrases.ask is None or phrases.says is None:
            if phrases.put is None:
                self._wrong(where, f"{name} is neither asked nor put: write it under lacks")
            return {}
        phrase = self._phrase(where, ("ask", phrases.ask), ("says", phrases.says))
        if phrase is None:
            return {}
        if phrase.request.fields:
            self._wrong((*where, "ask"), f"{phrases.ask!r}: a question has no fields: write it out")
        if phrase.answer is not None and not {"value", name} & set(phrase.answer.fields):
            self._wrong((*where, "says"), f"{phrases.says!r} has no value in it: write {{value}} where it is")
        return {name: phrase}

    def _put(self, name: str, phrases: PointPhrases) -> dict[str, Phrase]:
        where, entry = ("points", name), self._vow.points[name]
        if phrases.put is None:
            if entry.settable:
                self._wrong(where, f"nothing says how {name} is put: add put, as it can be set")
            if phrases.took is not None:
                self._wrong((*where, "took"), f"{name} is not put: remove took")
            return {}
        if not entry.settable:
            self._wrong((*where, "put"), f"{name} cannot be put by its document: remove put")
        phrase = self._phrase(where, ("put", phrases.put), ("took", phrases.took))
        if phrase is None:
            return {}
        if set(phrase.request.fields) - {"value", name} or not phrase.request.fields:
            self._wrong((*where, "put"), f"{phrases.put!r}: one field, {{value}}, is what is put")
        if phrase.answer is None and phrases.ask is None:
            self._wrong(
                (*where, "put"), f"{name}: a put that nothing answers has to be asked back: add ask and says"
            )
        return {name: phrase}

    def _act(self, name: str, deed: ActionPhrases) -> dict[str, Phrase]:
        where, action = ("actions", name), self._vow.actions[name]
        phrase = self._phrase(where, ("do", deed.do), ("done", deed.done))
        if phrase is None:
            return {}
        if action.many and "number" not in phrase.request.fields:
            self._wrong(where, f"{name} takes a number: write {{number}} in do")
        if "tickets" not in self._dialect.lacks:
            answered = phrase.answer is not None and "ticket" in phrase.answer.fields
            if action.gives_ticket_ns is not None and not answered:
                self._wrong(where, f"{name} gives a ticket: write {{ticket}} in done, or tickets under lacks")
            if action.takes_ticket is not None and "ticket" not in phrase.request.fields:
                self._wrong(where, f"{name} takes a ticket: write {{ticket}} in do, or tickets under lacks")
        return {name: phrase}

    # ------------------------------------------------------------------------------------------- ambiguity

    def _ambiguous(self, book: Phrasebook) -> None:
        """No line of the firmware may fit two templates, where either may come; nor any of the host's."""
        always: list[tuple[tuple[str | int, ...], Template]] = []
        always += [(("refusals", k, "says"), each) for k, (each, _) in enumerate(book.refusals)]
        always += [(("aside", k), each) for k, each in enumerate(book.aside)]
        for index, (where, template) in enumerate(always):
            self._alone(where, template, always[:index], "the same answer")
        requests: list[tuple[tuple[str | int, ...], Template]] = []
        for section, keys, phrases in (
            ("points", ("ask", "says"), book.asks),
            ("points", ("put", "took"), book.puts),
            ("actions", ("do", "done"), book.acts),
        ):
            for name, phrase in phrases.items():
                if phrase.answer is not None:
                    self._alone((section, name, keys[1]), phrase.answer, always, "the same answer")
                shared = [each for each in requests if each[1].text == phrase.request.text]
                if shared and keys[0] == "ask" and all(each[0][2] == "ask" for each in shared):
                    continue  # one question may tell the values of several points
                self._alone((section, name, keys[0]), phrase.request, requests, "the same request")
                requests.append(((section, name, keys[0]), phrase.request))

    def _alone(
        self,
        where: tuple[str | int, ...],
        template: Template,
        others: Iterable[tuple[tuple[str | int, ...], Template]],
        what: str,
    ) -> None:
        for there, other in others:
            if template.shares_with(other):
                line = self._loaded.marks.line(*there)
                both = f"{template.text!r} and {other.text!r} (line {line})"
                self._wrong(where, f"{what} fits {both}: change one of them")
                return


def lacked(name: str, entry: PointEntry, dialect: Dialect) -> bool:
    """Whether the firmware has not this point: it says so, or lacks what the point is there for."""
    if name in dialect.lacks or (entry.record is not None and "bulk" in dialect.lacks):
        return True
    feature = POINTS_OF.get(entry.system) if entry.system is not None else None
    return feature in dialect.lacks and name not in dialect.points


def _near(name: str, known: Iterable[str]) -> str:
    near = get_close_matches(name, list(known), n=1, cutoff=0.5)
    return f": write {near[0]}" if near else ": remove it, or write one of the document's names"
