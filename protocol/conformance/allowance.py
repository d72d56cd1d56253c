"""What a check may do to a real instrument only if the person allows that kind of it, and how often.

| kind     | what counts as one                                                                         |
|----------|--------------------------------------------------------------------------------------------|
| `store`  | a line that an instrument could take for an action that saves                              |
| `boot`   | the same for an action that boots; the rig's reset and supply; the opening of a port that  |
|          | resets                                                                                     |
| `switch` | the same for an action that leads into a state whose outputs differ from the initial       |
|          | state's, or that leads on into such a state unasked                                        |

It counts what goes out, not what was done: a faulty instrument need not tell. The safe action is never
counted. Saving is never allowed where what is saved cannot be read, as it could not be put back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from wirevow.protocol.conformance.envelope import leading_to, saving_actions
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow

Kind = Literal["store", "boot", "switch"]
KINDS: tuple[Kind, ...] = get_args(Kind)
MOST: Mapping[Kind, int] = {"store": 100, "boot": 200, "switch": 2000}
"""How often at most, where nothing else is said: about twice what a check of Tarn does, little beside the
100,000 writes that a store and the 100,000 operations that a relay stand (common practice, no source)."""
DIGITS = 6
NEEDS = "needs --allow"
"""Words in every reason for not selecting what was not allowed."""
USED_UP = "that --allow lets it do"
"""The same where the ceiling is reached."""
NOT_READ = "it cannot be read what is saved in its store, so that could not be put back"
_DOES: Mapping[Kind, str] = {
    "store": "writes its store",
    "boot": "boots it",
    "switch": "switches its outputs",
}
_ONES: Mapping[Kind, str] = {"store": "writes of its store", "boot": "boots", "switch": "switchings"}


@dataclass(frozen=True, slots=True)
class Allowance:
    """How often each kind may be done; 0: not at all."""

    store: int = 0
    boot: int = 0
    switch: int = 0

    def of(self, kind: Kind) -> int:
        """The ceiling of a kind."""
        return {"store": self.store, "boot": self.boot, "switch": self.switch}[kind]


def allowance(words: Iterable[str], *, envelope: bool = False) -> Allowance:
    """The allowance that words such as `store` and `boot=20` say; an envelope implies `switch`.

    Raises WirevowError.
    """
    most: dict[str, int] = {"switch": MOST["switch"]} if envelope else {}
    for word in words:
        kind = next((each for each in KINDS if word.partition("=")[0] == each), None)
        if kind is None:
            raise WirevowError(
                f"--allow {word}: there is no such kind; write {', '.join(KINDS[:-1])} or {KINDS[-1]}, "
                "with a ceiling if you like, such as store=20"
            )
        _, given, times = word.partition("=")
        if given and not (times.isascii() and times.isdigit() and len(times) <= DIGITS and int(times)):
            raise WirevowError(
                f"--allow {word}: the ceiling is a number from 1 to {10**DIGITS - 1}, such as {kind}=20"
            )
        most[kind] = int(times) if given else MOST[kind]
    return Allowance(most.get("store", 0), most.get("boot", 0), most.get("switch", 0))


def switched_states(vow: Vow) -> frozenset[str]:
    """States whose outputs differ from the initial state's, and those that lead on into one unasked."""
    rest = vow.states[vow.initial].outputs
    switched = {name for name, state in vow.states.items() if state.outputs != rest}
    return leading_to(vow, switched) - {vow.initial}


class Limits:
    """Holds what goes out against an allowance; None allows everything, as with a simulated instrument."""

    def __init__(self, vow: Vow, allowed: Allowance | None) -> None:
        self.free = allowed is None
        """Nothing is counted or refused."""
        self._allowed = Allowance() if allowed is None else allowed
        self._switched = switched_states(vow)
        boots = {name for name, action in vow.actions.items() if ("reboot", "") in action.does}
        switches = {
            name
            for name, action in vow.actions.items()
            if any(to in self._switched and to != state for state, to in action.to.items())
        }
        self._kinds: tuple[tuple[Kind, frozenset[str]], ...] = (
            ("store", saving_actions(vow)),
            ("boot", frozenset(boots)),
            ("switch", frozenset(switches) - {vow.document.trial.safe}),
        )
        self.names = frozenset() if self.free else frozenset().union(*(names for _, names in self._kinds))
        """Actions that are counted."""
        self._done: Counter[Kind] = Counter()
        self._barred: dict[Kind, str] = {}
        if vow.doing("recall") is None:
            self.bar("store", NOT_READ)

    @property
    def done(self) -> Mapping[Kind, int]:
        """How often each kind has been done."""
        return dict(self._done)

    def bar(self, kind: Kind, why: str) -> None:
        """From now on a kind is not done, whatever was allowed."""
        self._barred[kind] = why

    def refusal(self, kind: Kind, times: int = 1) -> str:
        """Why a kind may not be done so often any more, in words to come after its name; empty if it may."""
        if self.free:
            return ""
        most = self._allowed.of(kind)
        if not most:
            return f"{_DOES[kind]}; that {NEEDS} {kind}"
        if kind in self._barred:
            return f"{_DOES[kind]}, and {self._barred[kind]}"
        if self._done[kind] + times > most:
            return f"{_DOES[kind]}; the {most} {_ONES[kind]} {USED_UP} are used up"
        return ""

    def refused(self, name: str) -> str:
        """Why an action may not be done, in words to come after its name; empty if it may."""
        return next((each for kind in self._of(name) if (each := self.refusal(kind))), "")

    def acting(self, name: str) -> str:
        """The same, with its name."""
        refusal = self.refused(name)
        return f"{name} {refusal}" if refusal else ""

    def entering(self, state: str) -> str:
        """Why a state may not be entered on purpose; empty if it may be."""
        refusal = self.refusal("switch") if state in self._switched else ""
        return f"state {state} {refusal}" if refusal else ""

    def judge(self, names: Iterable[str]) -> str:
        """Why lines may not go out that could be taken for these actions; empty if they may."""
        times: Counter[Kind] = Counter()
        for name in names:
            for kind in self._of(name):
                times[kind] += 1
                refusal = self.refusal(kind, times[kind])
                if refusal:
                    return f"{name} {refusal}"
        return ""

    def went(self, names: Iterable[str]) -> None:
        """Such lines did go out."""
        self._done.update(kind for name in names for kind in self._of(name))

    def boot(self) -> str:
        """The rig, or the opening of the port, is about to boot it: why it must not; empty, and counted."""
        refusal = self.refusal("boot")
        self._done["boot"] += not refusal
        return f"it {refusal}" if refusal else ""

    @property
    def may_restore(self) -> bool:
        """Whether the store may be written once more at the end, to put back what it held."""
        return self.free or bool(self._allowed.store)

    def account(self) -> str:
        """What was allowed, and how much of it was used, for people; empty if nothing was."""
        allowed = {kind: self._allowed.of(kind) for kind in KINDS}
        used = [f"{kind} {self._done[kind]} of {most}" for kind, most in allowed.items() if most]
        return f"allowed, and used at most: {', '.join(used)}" if used else ""

    def _of(self, name: str) -> Iterator[Kind]:
        return (kind for kind, names in self._kinds if not self.free and name in names)
