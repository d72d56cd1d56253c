"""States and actions: all are reached and left, none is hidden, power takes a ticket and has a stop."""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import dataclass
from itertools import combinations

from wirevow.protocol.closure import closure
from wirevow.protocol.document.model import Action, Document, Leave, duration_text
from wirevow.protocol.document.vet.survey import Survey, Where
from wirevow.protocol.expression import Comparison, Condition, Expression, ExpressionError, Word
from wirevow.protocol.expression.tree import conjuncts, names, walk


@dataclass(frozen=True, slots=True)
class Edge:
    """A way from one state to another; `forced` for trips."""

    source: str
    target: str
    where: Where
    name: str
    forced: bool = False


def edges(survey: Survey) -> Iterator[Edge]:
    """Every transition of the document."""
    document = survey.document
    for name, action in document.actions.items():
        for state in action.allowed:
            if "reboot" in action.does:
                yield Edge(state, survey.initial, ("actions", name), name)
            elif action.to is not None and state not in action.keeps:
                yield Edge(state, action.to, ("actions", name), name)
    for name, state_ in document.states.items():
        for index, leave in enumerate(state_.leaves):
            yield Edge(name, leave.to, ("states", name, "leaves", index), f"leave {index + 1} of {name}")
    for name, trip in document.trips.items():
        for state in trip.armed_in if trip.armed_in is not None else document.states:
            if state != trip.to:
                yield Edge(state, trip.to, ("trips", name), name, forced=True)


def check(survey: Survey) -> None:
    """Every rule about states and actions."""
    if _initial(survey):
        _reachable(survey)
        _ways_out(survey)
    _watched(survey)
    _leaves(survey)
    _actions(survey)
    _tickets(survey)
    _energised(survey)
    _outputs(survey)


# ------------------------------------------------------------------------------------------------- states


def _initial(survey: Survey) -> bool:
    initial = [name for name, state in survey.document.states.items() if state.initial]
    if not initial:
        survey.report(
            "initial-state", ("states",), "no state is the initial one", "mark one with initial: true"
        )
    for name in initial[1:]:
        survey.report(
            "initial-state",
            ("states", name, "initial"),
            f"{initial[0]} is the initial state already",
            "keep initial: true in one state",
        )
    return len(initial) == 1


def _reachable(survey: Survey) -> None:
    ways: dict[str, set[str]] = {}
    for edge in edges(survey):
        ways.setdefault(edge.source, set()).add(edge.target)
    reached = closure({survey.initial}, lambda state: ways.get(state, ()))
    for name in survey.document.states:
        if name not in reached:
            survey.report(
                "state-unreachable",
                ("states", name),
                f"nothing leads to {name} from {survey.initial}",
                "add an action, a leave or a trip that does, or remove the state",
            )


def _ways_out(survey: Survey) -> None:
    back: dict[str, set[str]] = {}
    open_back: dict[str, set[str]] = {}
    for edge in edges(survey):
        if not edge.forced:  # a trip needs a mishap: nobody can wait for one
            back.setdefault(edge.target, set()).add(edge.source)
            if not _may_stay_shut(survey, edge):
                open_back.setdefault(edge.target, set()).add(edge.source)
    returning = closure({survey.initial}, lambda state: back.get(state, ()))
    surely = closure({survey.initial}, lambda state: open_back.get(state, ()))
    for name in survey.document.states:
        if name not in returning:
            survey.report(
                "state-trap",
                ("states", name),
                f"from {name} there is no way back to {survey.initial} but a loss of power",
                "add an action or a leave that leads out, or an action that reboots",
            )
        elif name not in surely:
            shut = next((edge for edge in edges(survey) if edge.source == name and not edge.forced), None)
            settings = "" if shut is None else ", ".join(sorted(_may_stay_shut(survey, shut)))
            if settings:
                survey.report(
                    "state-trap",
                    ("states", name),
                    f"with some values of {settings}, which cannot be changed in {name},"
                    f" there is no way back to {survey.initial} but a loss of power",
                    f"let {settings} be put there, or add a way out without that condition",
                )


def _may_stay_shut(survey: Survey, edge: Edge) -> frozenset[str]:
    """The settings that keep a transition shut for good, since nothing changes them in its state."""
    document, state = survey.document, edge.source
    kind, name, *rest = edge.where
    if kind == "actions":
        condition = document.actions[str(name)].guard
    else:
        condition = document.states[str(name)].leaves[int(rest[1])].when
    if condition is None:
        return frozenset()
    effects = [effect for each in document.actions.values() if state in each.allowed for effect in each.does]
    for part in conjuncts(condition.atoms()):
        names = Expression.of(part).names if isinstance(part, Comparison) else condition.names
        if names and all(_fixed_in(survey, each, state, effects) for each in names):
            return frozenset(names)
    return frozenset()


def _fixed_in(survey: Survey, name: str, state: str, effects: Container[object]) -> bool:
    """Whether nothing changes this setting in a state."""
    point = survey.document.points[name]
    return (
        survey.is_setting(name)
        and point.set_in is not None
        and state not in point.set_in
        and not point.local
        and "defaults" not in effects
        and not (point.saved and "recall" in effects)
    )


def _watched(survey: Survey) -> None:
    """Unasked acts come of what is, not of what has been: a highest value is true for ever after."""
    document = survey.document
    watched: list[tuple[Where, Expression]] = [
        (("states", name, "leaves", index, "when"), leave.when)
        for name, state in document.states.items()
        for index, leave in enumerate(state.leaves)
        if leave.when is not None
    ]
    watched += [(("trips", name, "when"), trip.when) for name, trip in document.trips.items()]
    measured = frozenset(
        name
        for name, point in document.points.items()
        if point.signal or point.highest or point.lowest or point.system in ("silence", "uptime")
    )
    for where, when in watched:
        _crosses_once(survey, where, when, measured)
        for name in sorted(when.names):
            reading = document.points[name].highest or document.points[name].lowest
            if reading is not None:
                survey.report(
                    "extreme-watched",
                    where,
                    f"{name} keeps what {reading} has been",
                    f"compare {reading} itself",
                )


def _crosses_once(survey: Survey, where: Where, when: Expression, measured: frozenset[str]) -> None:
    """Each comparison in it is a threshold of one reading, so that a comparator could do it."""
    for part in walk(when.atoms()):
        if not isinstance(part, Comparison):
            continue
        comparison = Expression.of(part)
        try:
            crossings = len(comparison.as_threshold(measured))
        except ExpressionError as wrong:
            survey.report("watch-form", where, str(wrong), "write one reading with one threshold")
            continue
        if crossings > 1:
            survey.report(
                "watch-form",
                where,
                f"{comparison.text} has {crossings} crossings",
                "write one comparison for each, with `and` or `or`",
            )


def _leaves(survey: Survey) -> None:
    for name, state in survey.document.states.items():
        sound: list[tuple[int, Leave]] = []
        for index, leave in enumerate(state.leaves):
            if _leave(survey, name, index, leave):
                sound.append((index, leave))
        for (first, before), (second, after) in combinations(sound, 2):
            hidden, hiding = (second, first) if _hides(survey, before, after) else (first, second)
            if _hides(survey, before, after) or _hides(survey, after, before):
                survey.report(
                    "leave-shadowed",
                    ("states", name, "leaves", hidden),
                    f"leave {hidden + 1} of {name} is never taken, for leave {hiding + 1} always comes first",
                    "remove it, or make the conditions exclude each other",
                )
        for index, leave in sound:
            _tripped_before(survey, name, index, leave)


def _leave(survey: Survey, name: str, index: int, leave: Leave) -> bool:
    where = ("states", name, "leaves", index)
    before = len(survey.found)
    if leave.to == name:
        survey.report("leave-self", (*where, "to"), f"this leads from {name} to {name}", "name another state")
    if leave.when is None:
        if leave.after == 0:
            survey.report(
                "leave-always",
                where,
                f"{name} is left as soon as it is entered",
                "add when: or after:, or remove the leave",
            )
    else:
        truths = survey.truths(leave.when)
        if truths == {False}:
            survey.report(
                "leave-never",
                (*where, "when"),
                f"the condition of leave {index + 1} of {name} is never true",
                "compare with values that can be read, or remove the leave",
            )
        elif truths == {True}:
            survey.report(
                "leave-always",
                (*where, "when"),
                f"the condition of leave {index + 1} of {name} is always true",
                "compare with values that can be read, or write after: alone",
            )
    return len(survey.found) == before


def _hides(survey: Survey, first: Leave, second: Leave) -> bool:
    """Whether the first leave is always taken before, or instead of, the second."""
    if first.when is None:
        # A condition holds for a time only after that time in the state has passed.
        return first.after <= second.after
    if second.when is None:
        return False
    return first.after <= second.after and survey.prover.implies(_atoms(second), _atoms(first))


def _atoms(leave: Leave) -> Condition:
    assert leave.when is not None
    return leave.when.atoms()


def _tripped_before(survey: Survey, name: str, index: int, leave: Leave) -> None:
    for trip_name, trip in survey.document.trips.items():
        armed = trip.armed_in is None or name in trip.armed_in
        if leave.when is None or not armed or trip.to == name or trip.after > leave.after:
            continue
        if len(survey.truths(trip.when)) == 1:
            continue  # a trip that is always or never true has a rule of its own
        if survey.prover.implies(leave.when.atoms(), trip.when.atoms()):
            survey.report(
                "leave-shadowed",
                ("states", name, "leaves", index),
                f"leave {index + 1} of {name} is never taken, for trip {trip_name} always comes first",
                "remove it, or let it come before the trip",
            )
            return


# ------------------------------------------------------------------------------------------------ actions


def _constant(survey: Survey, formula: Expression) -> bool | None:
    truths = survey.truths(formula)
    return next(iter(truths)) if len(truths) == 1 else None


def _actions(survey: Survey) -> None:
    for name, action in survey.document.actions.items():
        where = ("actions", name)
        for index, state in enumerate(action.keeps):
            if state not in action.allowed:
                survey.report(
                    "keeps-nowhere",
                    (*where, "keeps", index),
                    f"{name} is not done in {state}",
                    "keep states that are among from:",
                )
        if action.to is None and not action.does and action.gives_ticket is None:
            survey.report("action-idle", where, f"{name} does nothing", "give it to:, does: or gives_ticket:")
        if action.guard is not None:
            holds = _constant(survey, action.guard)
            if holds is False:
                survey.report(
                    "guard-never",
                    (*where, "guard"),
                    f"the guard of {name} is never true",
                    "compare with values that can be read",
                )
            elif holds:
                survey.report(
                    "guard-always",
                    (*where, "guard"),
                    f"the guard of {name} is always true",
                    "remove the guard",
                )


def _tickets(survey: Survey) -> None:
    actions = survey.document.actions
    taken = {action.takes_ticket for action in actions.values()}
    for name, action in actions.items():
        if action.takes_ticket is not None and actions[action.takes_ticket].gives_ticket is None:
            survey.report(
                "ticket-none",
                ("actions", name, "takes_ticket"),
                f"{action.takes_ticket} gives no ticket",
                "name an action with gives_ticket:, or add it there",
            )
        if action.gives_ticket is None:
            continue
        if name not in taken:
            survey.report(
                "ticket-unused",
                ("actions", name, "gives_ticket"),
                f"no action takes the ticket of {name}",
                "remove gives_ticket:, or let an action take it",
            )
        _ticket_time(survey, name, action)


_LONGEST_TICKET_NS = 60 * 10**9


def _ticket_time(survey: Survey, name: str, action: Action) -> None:
    document = survey.document
    life = action.gives_ticket
    assert life is not None
    where = ("actions", name, "gives_ticket")
    stays = (
        [leave.after for leave in document.states[action.to].leaves if leave.when is None]
        if action.to is not None
        else []
    )
    if stays and life > min(stays):
        survey.report(
            "ticket-time",
            where,
            f"the ticket outlives {action.to}, which is left after {duration_text(min(stays))}",
            f"write {duration_text(min(stays))} or less",
        )
    elif life > _LONGEST_TICKET_NS:
        survey.report(
            "ticket-time",
            where,
            f"a ticket of {duration_text(life)} is as good as none",
            f"write {duration_text(_LONGEST_TICKET_NS)} or less",
        )
    elif life <= document.wire.reply_deadline:
        survey.report(
            "ticket-time",
            where,
            f"the ticket may be over before its reply has come: {duration_text(life)}",
            "write a longer time",
        )


# ------------------------------------------------------------------------------------------------- energy


def stops(survey: Survey, action: Action, state: str) -> bool:
    """Whether the action, always done and unconditional, ends an energised state."""
    return (
        action.always
        and state in action.allowed
        and action.guard is None
        and action.takes_ticket is None
        and "clear_trip" not in action.does
        and action.to is not None
        and state not in action.keeps
        and not survey.document.states[action.to].energised
    )


def demands_checks(document: Document, action: Action) -> bool:
    """Whether the action is refused to a host whose lines carry no check: then no damage starts it."""
    return action.guard is not None and any(
        isinstance(part, Comparison)
        and part.relation == "=="
        and Word("on") in (part.left, part.right)
        and any(document.points[name].system == "guard" for name in names(part))
        for part in conjuncts(action.guard.atoms())
    )


def _energised(survey: Survey) -> None:
    document = survey.document
    energised = {name for name, state in document.states.items() if state.energised}
    # One finding for each element, not for each pair of states it leads between.
    seen: set[Where] = set()
    for edge in edges(survey):
        if edge.target in energised and edge.source not in energised and edge.where not in seen:
            action = document.actions.get(edge.name) if edge.where[0] == "actions" else None
            if action is None or (action.takes_ticket is None and not demands_checks(document, action)):
                seen.add(edge.where)
                survey.report(
                    "energise-ticket",
                    (*edge.where, "to"),
                    f"{edge.name} leads from {edge.source} to {edge.target} without a ticket",
                    "lead there with an action that takes a ticket, or whose guard is link.guard == 'on'",
                )
    silence = {name for name, point in document.points.items() if point.system == "silence"}
    for name in document.states:
        if name not in energised:
            continue
        if not any(
            silence & trip.when.names and (trip.armed_in is None or name in trip.armed_in)
            for trip in document.trips.values()
        ):
            survey.report(
                "energise-silent",
                ("states", name),
                f"in {name}, where power is handled, nobody notices that the host has gone",
                "add a trip on link.silence that watches it",
            )
        if not any(stops(survey, action, name) for action in document.actions.values()):
            survey.report(
                "energise-stop",
                ("states", name),
                f"no action that is always done leads out of {name}, where power is handled",
                "add one with always: true, without guard and ticket, that leads to a state without power",
            )


def _outputs(survey: Survey) -> None:
    states = survey.document.states
    controls = {control for state in states.values() for control in state.outputs}
    for name, state in states.items():
        for control in sorted(controls - set(state.outputs)):
            survey.report(
                "outputs-partial",
                ("states", name),
                f"{name} does not say what {control} is, so it stays as it was",
                "hold it in every state, or in none",
            )
