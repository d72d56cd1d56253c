"""What vetting can find: every finding has a stable code, a severity and a rule, all in one table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning"]

CODES: dict[str, tuple[Severity, str]] = {
    # Names that are used must be there, and be of the right kind.
    "unknown-quantity": ("error", "a quantity is declared under quantities"),
    "unknown-point": ("error", "a point is declared under points"),
    "unknown-state": ("error", "a state is declared under states"),
    "unknown-action": ("error", "an action is declared under actions"),
    "unknown-record": ("error", "a record is declared under records"),
    "unknown-event": ("error", "a bench event is declared under bench, or comes with a part of the wire"),
    "unknown-word": (
        "error",
        "a word is one of the choices of the point that it is given to or compared with",
    ),
    "wrong-kind": ("error", "numbers are used as numbers, choices as choices, conditions as conditions"),
    "not-a-setting": ("error", "only a setting can be put, derated or followed"),
    "not-a-reading": ("error", "a trip, limit, fan or law watches values that can be read as numbers"),
    # Quantities.
    "quantity-range": ("error", "low is below high, and both are on a step"),
    "quantity-digits": ("error", "every value of a quantity can be written in nine digits"),
    "unit-code": ("error", "a unit is a UCUM code"),
    "unused-quantity": ("warning", "a quantity is used by a point or a bench event"),
    # Names.
    "name-twice": ("error", "no name is both a point and an action"),
    "names-close": ("error", "no two names are one slip of a finger or one damaged letter apart"),
    "names-number": ("warning", "names that differ in a digit only are one damaged character apart"),
    # Points.
    "default-range": ("error", "a default is inside its limits while all other settings are at theirs"),
    "off-step": ("error", "a value is a whole number of steps of its quantity"),
    "limit-reading": ("error", "limits depend on settings only, so that a host can know them"),
    "limit-never": ("warning", "a limit can be narrower than the quantity's range"),
    "limit-empty": ("error", "limits always leave a value that can be put"),
    "limit-one-way": ("error", "settings that bound each other do so both ways, so that none is stranded"),
    "limit-strands": ("error", "no sequence of accepted puts leaves a setting outside its limits"),
    "saved-apart": ("error", "settings that bound each other are saved together or not at all"),
    "saved-no-save": ("error", "saved settings need an action that saves, and the other way round"),
    "set-nowhere": ("error", "a setting can be put in some state"),
    "extreme-of": ("error", "a highest or lowest is that of a measured point, in the same quantity"),
    "watch-form": ("error", "what makes the instrument act unasked is a reading at a threshold"),
    "extreme-watched": ("error", "what makes the instrument act unasked is no highest or lowest"),
    "derived-cycle": ("error", "a derived point does not depend on itself"),
    "derived-range": ("warning", "a derived point stays inside its quantity's range"),
    "division": ("error", "no divisor can be zero"),
    "overflow": ("error", "every expression can be computed in 64-bit integers on a small chip"),
    "drives-twice": ("error", "a plant control follows one setting at most"),
    # System points and parts of the wire.
    "system-missing": ("error", "the points that the wire itself relies on are there"),
    "system-name": ("error", "the wire's own points have the names that every host knows"),
    "system-twice": ("error", "a value that the wire keeps is answered under one name"),
    "system-form": ("error", "a value that the wire keeps has the quantity and access that fit it"),
    "part-undeclared": ("error", "what a part of the wire brings is used only if wire.parts has it"),
    "part-unused": ("error", "a part of the wire that is declared is used"),
    "wire-times": ("error", "idle times and deadlines fit the line rate and each other"),
    "line-length": ("error", "every request, reply and notice fits the line limit"),
    # States and actions.
    "initial-state": ("error", "exactly one state is the initial one"),
    "state-unreachable": ("error", "every state can be reached"),
    "state-trap": (
        "error",
        "from every state there is a way back to the initial one besides a loss of power",
    ),
    "leave-shadowed": ("error", "no transition is hidden by another that always comes first"),
    "state-round": ("error", "what happens by itself does not lead round while its conditions hold"),
    "leave-never": ("error", "a transition's condition can come true"),
    "leave-always": ("error", "a transition's condition can be false"),
    "leave-self": ("error", "a transition leads to another state"),
    "put-limit": ("error", "what an action puts is inside the limits whenever it is done"),
    "put-from": (
        "error",
        "what an action puts at another setting is of its kind, and that one stays",
    ),
    "row-number": ("error", "there is a row for each number that an action takes"),
    "put-beside": ("error", "an action that puts settings does not bring back others"),
    "guard-never": ("error", "a guard can come true"),
    "guard-always": ("warning", "a guard can be false"),
    "action-idle": ("error", "an action does something"),
    "keeps-nowhere": ("error", "the states that an action keeps are among those it is done in"),
    "ticket-none": ("error", "an action takes a ticket that the action it names gives"),
    "ticket-unused": ("warning", "a ticket that is given can be used"),
    "ticket-time": ("error", "a ticket lives as long as it can be used, and no longer"),
    "energise-ticket": (
        "error",
        "power is handled only after an action that takes a ticket, or is refused without checks",
    ),
    "energise-silent": ("warning", "a silent host is noticed while power is handled"),
    "energise-stop": ("error", "an action that is always done ends every energised state"),
    "outputs-partial": ("warning", "a control that one state holds is held in every state"),
    # Trips.
    "trip-never": ("error", "a trip's condition can come true"),
    "trip-always": ("error", "a trip's condition can be false"),
    "trip-reach": ("error", "no setting moves a trip's threshold beyond what can be read"),
    "trip-shadowed": ("error", "no trip is hidden by another that always comes first"),
    "trip-unarmed": ("error", "a trip watches a state that it does not lead to"),
    "trip-clears": ("error", "a trip's condition is gone when it counts as cleared"),
    "trip-latch": ("error", "the state of a latched trip is left by an action that clears it, or by a boot"),
    "trip-no-clear": ("error", "a latched trip can be cleared in the state that it leads to"),
    # Envelope, derating, fan, laws.
    "envelope-open": ("error", "a limit has a low or a high end"),
    "envelope-never": ("warning", "a limit of the envelope is inside what can be read"),
    "envelope-empty": ("error", "a limit of the envelope leaves room"),
    "derating-order": ("error", "derating ends at a higher temperature than it starts"),
    "fan-step-back": ("error", "temperatures and duties of the fan's levels rise"),
    "fan-hysteresis": ("error", "the fan's hysteresis is smaller than the distance of its levels"),
    "fan-range": ("error", "the fan's levels are inside the ranges of its temperature and duty"),
    "law-never": ("error", "a law can hold"),
    "law-always": ("warning", "a law can be broken"),
    "law-units": ("error", "the units of the points in a law belong together"),
    # Records.
    "field-twice": ("error", "no two fields of a record have the same name"),
    "field-small": ("error", "a field's type holds every count of its point"),
    "field-series": ("error", "a series has a sample period, a single value has none"),
    "record-unused": ("warning", "a record is answered by a point"),
    "capture-none": (
        "error",
        "a record with a series has an action that captures it, and the other way round",
    ),
    # The plant.
    "plant-signal": ("error", "a signal is one that the plant has"),
    "plant-control": ("error", "a control is one that the plant has"),
    "plant-impulse": ("error", "an impulse goes to a control of the plant that takes one"),
    "plant-event": ("error", "a bench event is one that can happen to the plant"),
    "plant-kind": ("error", "the plant is told numbers, words or impulses as it takes them"),
    "plant-word": ("error", "a word is one that the plant knows"),
    "plant-range": ("error", "a number is one that the plant can take"),
    "plant-unit": ("error", "units convert to those of the plant"),
    # Bench and trial.
    "event-form": ("error", "a bench event has a quantity, choices or neither"),
    "event-base": ("error", "the values of a bench event are among those that it can have"),
    "event-trips": ("error", "the other value of a bench event trips nothing, by its plant"),
    "put-refused": ("error", "what a tester puts is accepted, in the order it is written"),
    "provoke-idle": ("error", "provoking something takes a put, a bench event, or silence"),
    "provoke-state": ("error", "a trip or leave is provoked in a state where it can happen"),
    "provoke-shared": ("error", "what provokes one thing provokes no other that may come first"),
    "provoke-short": ("error", "what the bench does brings a reading beyond the threshold, by its plant"),
    "provoke-time": ("error", "what is provoked has time to happen"),
    "trial-safe": ("error", "the safe action is always done and ends every energised state"),
    "trial-reset": ("error", "the reset action brings every setting to its default"),
}
"""Code: severity and the rule that was broken. Codes stay; tools may rely on them."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One defect of a document. `line` counts from 1."""

    code: str
    line: int
    message: str
    remedy: str

    @property
    def severity(self) -> Severity:
        return CODES[self.code][0]

    def text(self, name: str) -> str:
        """`file:line: severity: what is wrong: what to write instead [code]`"""
        return f"{name}:{self.line}: {self.severity}: {self.message}: {self.remedy} [{self.code}]"
