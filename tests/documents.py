"""Random documents: a grammar of the language from which Hypothesis draws whole instruments.

    @given(documents())
    def test_any_instrument(data):
        text = text_of(data)

Sections are drawn in the order in which they depend on each other: what is measured, settings and their
limits, states and the ways between them, what happens by itself, records, what the wire needs for all that.
Almost all of what is drawn is sound; `vet` has the last word. The simplest draw is the least document there
is, so a failing one shrinks to little more than what fails.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, TypeVar

from hypothesis import strategies as st

T = TypeVar("T")
Draw = Callable[[st.SearchStrategy[Any]], Any]

STATES = ("idle", "ready", "busy", "drained", "paused", "warmup", "finished", "locked", "closing", "purging")
LATCH = "tripped"
"""The state of latched trips: nothing but clearing leads out of it."""
GROUPS = ("bath", "pump", "valve", "lamp", "drum", "motor", "filter", "scale")
NOUNS = ("level", "speed", "angle", "volume", "depth", "weight", "tempo", "figure", "quota", "margin")
CHOICES = ("narrow", "wide", "single", "double", "coarse", "smooth", "left", "right")
VERBS = (
    "begin",
    "proceed",
    "advance",
    "open",
    "shift",
    "launch",
    "engage",
    "turn",
    "prime",
    "raise",
    "fold",
    "collect",
    "descend",
    "wander",
    "hurry",
    "mingle",
    "quench",
    "unlock",
    "vanish",
    "yield",
)

UNITS = ("1", "V", "s", "mL", "Cel", "%", "/min", "Ohm", "deg", "A/s", "kg/h", "mOhm", "m3")
STEPS = ("1", "0.1", "0.25", "0.3", "0.007", "2", "5", "12", "0.00001", "0.125", "50", "1.5")
STAYS = ("5 s", "2 s", "20 s", "2500 ms", "1 min")
"""How long a state lasts that ends by itself."""
HOLDS = ("1 s", "200 ms", "50 ms", "7 ms", "700 ms")
"""How long a condition holds before something is done: less than any stay."""
PERIODS = ("100 ms", "20 ms", "1 s", "1 ms", "333 ms")
TICKETS = ("5 s", "2 s", "20 s", "1 min")


@dataclass
class Setting:
    """A setting while the document is drawn."""

    name: str
    choice: tuple[str, ...] = ()
    default: Any = None
    quantity: str = ""
    step: Decimal = Decimal(1)
    low: int = 0
    """Counts of the lowest value that its own limits leave, whatever other settings are."""
    high: int = 0
    bound: bool = False
    """Whether its limits depend on another setting, or another's on it."""
    used: bool = False
    """Whether something happens by itself when it is put to some value."""

    def value(self, counts: int) -> Decimal:
        return counts * self.step

    @property
    def counts(self) -> int:
        return int(self.default / self.step)


@dataclass
class Reading:
    """Something that is measured."""

    name: str
    step: Decimal
    lowest: int
    highest: int
    """Where it can be by itself, in its unit."""
    above: int
    """The bench can bring it so far above the base."""
    settled: str
    """It has followed the bench by then."""


@dataclass
class Author:
    """Draws one document."""

    draw: Draw
    quantities: dict[str, Any] = field(default_factory=dict)
    points: dict[str, Any] = field(default_factory=dict)
    states: dict[str, Any] = field(default_factory=dict)
    actions: dict[str, Any] = field(default_factory=dict)
    trips: dict[str, Any] = field(default_factory=dict)
    limits: dict[str, Any] = field(default_factory=dict)
    laws: dict[str, Any] = field(default_factory=dict)
    records: dict[str, Any] = field(default_factory=dict)
    bench: dict[str, Any] = field(default_factory=dict)
    trial: dict[str, Any] = field(default_factory=dict)
    settings: list[Setting] = field(default_factory=list)
    parts: set[str] = field(default_factory=set)
    initial: str = ""
    plant: dict[str, Any] = field(default_factory=dict)
    readings: list[Reading] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    verbs: list[str] = field(default_factory=list)
    live: set[str] = field(default_factory=set)
    """States that handle power."""
    refuge: str = ""
    """Where protections lead that are not latched: were it two states, they might lead into each other's."""

    # ---------------------------------------------------------------------------------------------- drawing

    def chance(self) -> bool:
        return bool(self.draw(st.booleans()))

    def one(self, among: Sequence[T]) -> T:
        return self.draw(st.sampled_from(among))  # type: ignore[no-any-return]

    def some(self, among: Sequence[T], least: int = 0) -> list[T]:
        """Some of them, in their order."""
        chosen = self.draw(st.sets(st.sampled_from(range(len(among))), min_size=least)) if among else ()
        return [among[index] for index in sorted(chosen)]

    def number(self, low: int, high: int) -> int:
        return int(self.draw(st.integers(low, high)))

    # --------------------------------------------------------------------------------------------- document

    def document(self) -> dict[str, Any]:
        self.names = [f"{group}.{noun}" for noun, group in zip(NOUNS, GROUPS * 2, strict=False)]
        self.verbs = list(VERBS)
        count = self.number(1, len(STATES))
        self.initial = STATES[self.number(0, count - 1)]
        self.states = {name: {"means": f"It is {name}."} for name in STATES[:count]}
        self.states[self.initial]["initial"] = True
        self.draw_room()
        self.draw_settings()
        self.draw_ways()
        self.draw_stores()
        self.draw_rows()
        self.draw_trips()
        self.draw_laws()
        self.draw_records()
        wire = self.draw_wire()
        sections = {
            "quantities": self.quantities,
            "points": self.points,
            "states": self.states,
            "actions": self.actions,
            "trips": self.trips,
            "limits": self.limits,
            "laws": self.laws,
            "records": self.records,
            "bench": self.bench,
            "trial": self.trial,
        }
        vow = {"name": "any", "version": "1.0.0", "title": "Any instrument"}
        given = {name: section for name, section in sections.items() if section}
        for state in self.states.values():
            if not state.get("leaves"):
                state.pop("leaves", None)
        plant = {"plant": self.plant} if self.plant else {}
        return {"vow": vow, "wire": wire, **given, **plant}

    # ------------------------------------------------------------------------------------------ the plant

    def draw_room(self) -> None:
        """A room: how warm it gets, how fast, what of it is read. Without one the bench says what is read."""
        watt = self.number(10, 2000)
        outside = self.number(-5, 25)
        rise = self.number(1, 35 - outside)
        tau = self.number(5, 600)
        lag = self.one((Decimal("0.1"), Decimal(1), Decimal(20)))
        way = round(Decimal(rise) / watt, 6)
        self.plant = {
            "kind": "room",
            "heater_watt": watt,
            "loss_kelvin_per_watt": way,
            "window_kelvin_per_watt": way,
            "room_joule_per_kelvin": round(tau / way, 3),
            "sensor_lag_second": lag,
            "outside_celsius": outside,
        }
        bare = self.chance()
        if bare:
            self.plant = {}
        if not self.chance():
            return
        step = self.one(("0.1", "0.5", "0.02", "0.25", "1"))
        share = {"reading_percent": Decimal(0), "range_percent": Decimal("0.5")}
        warmth = self.quantity("warmth", "Cel", step, "-50", "150", accuracy=share)
        settled = f"{int(10 * (tau + lag)) + 5} s"
        self.bench["outside.temperature"] = {
            "means": "The air outside.", "value": warmth, "base": Decimal(outside),
        }  # fmt: skip
        moves: dict[str, str] = {}
        places = [("air.near", "room.temperature"), ("air.outdoors", "outside.temperature")]
        for name, signal in places[1:] if bare else places:
            if bare or self.chance():
                every = self.one(PERIODS)
                self.points[name] = {
                    "means": "How warm it is.", "quantity": warmth, "signal": signal, "every": every,
                }  # fmt: skip
                highest = outside + (rise if signal == "room.temperature" else 0)
                self.readings.append(Reading(name, Decimal(step), outside, highest, rise + 25, settled))
                if self.chance():
                    which = self.one(("highest", "lowest"))
                    self.points[f"{name}.kept"] = {
                        "means": "What it has been.", "quantity": warmth, which: name, "every": every,
                    }  # fmt: skip
                moves[name] = settled
        if moves and self.chance():
            self.bench["outside.temperature"] |= {"other": Decimal(outside + 8), "moves": moves}
        if not bare and self.chance():
            self.bench["window"] = {"means": "The window.", "choice": ["closed", "open"], "base": "closed"}
        for state in self.states.values():
            state["outputs"] = {"heater": self.one((0, 1, Decimal("0.5")))}

    # ------------------------------------------------------------------------------------------- quantities

    def quantity(self, name: str, unit: str, step: str, low: str, high: str, **more: Any) -> str:
        self.quantities[name] = {
            "unit": unit, "step": Decimal(step), "low": Decimal(low), "high": Decimal(high), **more,
        }  # fmt: skip
        return name

    def draw_quantity(self, positive: bool = False) -> str:
        name = f"kind_{'abcdefghij'[sum(each.startswith('kind_') for each in self.quantities)]}"
        step = Decimal(self.one(STEPS))
        low = self.number(1 if positive else -2000, 2000)
        high = low + self.number(4, 20000)
        self.quantities[name] = {
            "unit": self.one(UNITS), "step": step, "low": low * step, "high": high * step,
        }  # fmt: skip
        return name

    # --------------------------------------------------------------------------------------------- settings

    def draw_settings(self) -> None:
        for _ in range(self.number(0, 3)):
            self.draw_choice()
        for _ in range(self.number(0, 2)):
            self.one((self.free, self.narrowed, self.ordered, self.apart, self.shared, self.inverse))()
        self.draw_driven()

    def draw_driven(self) -> None:
        """What settings drive: the heater in some states, and without a plant what the document makes up."""
        if "outputs" in self.states[self.initial] and self.chance():
            share = self.quantity("share", "1", self.one(("0.05", "0.01", "0.5")), "0", "1")
            name = "heat.share"
            self.setting(self.made_of(name, share, *self.range_of(share)[:2]))
            for state in self.some(list(self.states)):
                self.states[state]["outputs"] = {"heater": {"from": name}}
        choices = [each for each in self.settings if each.choice]
        if not self.plant and choices and self.chance():
            each = self.one(choices)
            self.points[each.name]["drives"] = "lamp.shape"
            if self.chance():
                self.points[each.name]["drives_as"] = {word: f"{word}_one" for word in self.some(each.choice)}

    def setting(self, setting: Setting, **more: Any) -> Setting:
        point = {"means": "A setting.", "access": "set", "default": setting.default, **more}
        if setting.choice:
            point["choice"] = list(setting.choice)
        else:
            point["quantity"] = setting.quantity
        if self.chance():
            point["set_in"] = self.some(list(self.states), 1)
        self.points[setting.name] = point
        self.settings.append(setting)
        return setting

    def draw_choice(self) -> None:
        words = self.some(CHOICES, 2)
        self.setting(Setting(self.names.pop(0), tuple(words), self.one(words)))

    def range_of(self, quantity: str) -> tuple[int, int, Decimal]:
        kind = self.quantities[quantity]
        return int(kind["low"] / kind["step"]), int(kind["high"] / kind["step"]), kind["step"]

    def free(self) -> None:
        """No limits but the quantity's."""
        quantity = self.draw_quantity()
        low, high, _ = self.range_of(quantity)
        self.setting(self.made(self.names[0], quantity, low, high))

    def narrowed(self) -> None:
        """Limits that are numbers."""
        quantity = self.draw_quantity()
        low, high, step = self.range_of(quantity)
        least = self.number(low + 1, high - 2)
        most = self.number(least + 1, high - 1)
        made = self.made(self.names[0], quantity, least, most)
        made.low, made.high = least, most
        self.setting(made, low=least * step, high=most * step)

    def pair(self, first: Setting, second: Setting) -> None:
        """Limits tie them: both are saved or neither, and no condition looks at them."""
        first.bound = second.bound = True

    def ordered(self) -> None:
        """One is never above the other."""
        quantity = self.draw_quantity()
        below, above = self.names[0], self.names[1]
        low, high, _ = self.range_of(quantity)
        split = self.number(low, high)
        first = self.setting(self.made(below, quantity, low, split), high=above)
        second = self.setting(self.made(above, quantity, split, high), low=below)
        self.pair(first, second)

    def made(self, name: str, quantity: str, low: int, high: int) -> Setting:
        """A setting of that name with a default from these counts."""
        self.names.remove(name)
        return self.made_of(name, quantity, low, high)

    def made_of(self, name: str, quantity: str, low: int, high: int) -> Setting:
        least, most, step = self.range_of(quantity)
        return Setting(name, (), self.number(low, high) * step, quantity, step, least, most)

    def apart(self) -> None:
        """One keeps a distance from the other."""
        quantity = self.draw_quantity()
        low, high, step = self.range_of(quantity)
        gap = self.number(1, high - low - 1)
        below, above = self.names[0], self.names[1]
        split = self.number(low, high - gap)
        first = self.setting(self.made(below, quantity, low, split), high=f"{above} - {gap * step:f}")
        second = self.setting(self.made(above, quantity, split + gap, high), low=f"{below} + {gap * step:f}")
        self.pair(first, second)

    def shared(self) -> None:
        """Two share what a third allows."""
        quantity = self.draw_quantity(positive=True)
        low, high, _ = self.range_of(quantity)
        if 2 * low > high:
            del self.quantities[quantity]
            return
        one, other, whole = self.names[:3]
        total = self.number(2 * low, high)
        part = self.number(low, total - low)
        first = self.setting(self.made(one, quantity, low, part), high=f"{whole} - {other}")
        second = self.setting(self.made(other, quantity, low, total - part), high=f"{whole} - {one}")
        third = self.setting(self.made(whole, quantity, total, high), low=f"{one} + {other}")
        self.pair(first, second)
        self.pair(second, third)

    def inverse(self) -> None:
        """Their product has a bound."""
        one, other = self.names[:2]
        first, second = self.draw_quantity(positive=True), self.draw_quantity(positive=True)
        low, _, step = self.range_of(first)
        least, _, grain = self.range_of(second)
        bound = (low + self.number(1, 50)) * step * (least + self.number(1, 50)) * grain
        a = self.setting(self.made(one, first, low, low), high=f"{bound:f} / {other}")
        b = self.setting(self.made(other, second, least, least), high=f"{bound:f} / {one}")
        self.pair(a, b)

    # ------------------------------------------------------------------------------------- states and actions

    def draw_ways(self) -> None:
        """A way to every state and one back; what handles power takes a ticket and has a stop."""
        kept = [name for name, point in self.points.items() if point.get("highest") or point.get("lowest")]
        if kept and self.chance():
            self.act("kept.anew", self.some(list(self.states), 1), does=[{"zeroes": self.some(kept, 1)}])
        others = [name for name in self.states if name != self.initial]
        self.live = set(self.some(others)) if self.chance() else set()
        for name in self.live:
            self.states[name]["energised"] = True
        if self.live:
            self.act("stop", [self.initial, *sorted(self.live)], self.initial, always=True)
            if self.chance():
                self.trial["safe"] = "stop"
        reached = [self.initial]
        for name in others:
            self.way(self.one(reached), name)
            self.back(name, reached)
            reached.append(name)

    def verb(self, name: str) -> str:
        return f"{self.one(('go', 'work'))}.{self.verbs.pop(0)}"

    def act(self, name: str, source: list[str], to: str | None = None, **more: Any) -> dict[str, Any]:
        action: dict[str, Any] = {"means": "It does so.", "from": source}
        if to is not None:
            action["to"] = to
        action.update(more)
        guard = self.usual_condition(source) if to is not None and not more and self.chance() else None
        if guard is not None:
            action["guard"] = guard
        action["repeat"] = self.one(("safe", "once"))
        self.actions[name] = action
        return action

    def way(self, source: str, target: str) -> None:
        # By itself only a state is left that something else leads to: the initial one is where it rests.
        kinds = ["ticket"]
        if target not in self.live or source in self.live:
            kinds = (
                ["action", "ticket"] if source == self.initial else ["action", "ticket", "timed", "condition"]
            )
        kind = self.one(kinds)
        condition = self.rare_condition() if kind == "condition" else None
        if kind == "timed" and not any("when" not in each for each in self.leaves(source)):
            self.leaves(source).append({"after": self.one(STAYS), "to": target})
        elif kind == "ticket":
            self.ticketed(source, target)
        elif condition is not None:
            when, put = condition
            self.leaves(source).append(
                {
                    "when": when,
                    **({"after": self.one(HOLDS)} if self.chance() else {}),
                    "to": target,
                    "provoke": {"state": source, "put": put, "within": "1900 ms"},
                }
            )
        else:
            more = [name for name in self.some(list(self.states)) if name not in (source, target)]
            alike = [name for name in more if target not in self.live or name in self.live]
            self.act(self.verb(target), [source, *alike], target)

    def ticketed(self, source: str, target: str) -> None:
        giver, taker = f"ask.{self.verbs[0]}", f"do.{self.verbs.pop(0)}"
        self.act(giver, [source], gives_ticket=self.one(TICKETS))
        self.act(taker, [source], target, takes_ticket=giver)

    def leaves(self, state: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.states[state].setdefault("leaves", [])
        return found

    def back(self, state: str, reached: list[str]) -> None:
        """A way from a state to one that has one already."""
        kind = self.one(("home", "action", "timed"))
        reached = [name for name in reached if name not in self.live or state in self.live]
        if kind == "timed" and not any("when" not in leave for leave in self.leaves(state)):
            self.leaves(state).append({"after": self.one(STAYS), "to": self.one(reached)})
        elif kind == "action" and self.verbs:
            self.act(self.verb(state), [state], self.one(reached))
        elif "stop" in self.actions:
            if state not in self.actions["stop"]["from"]:
                self.actions["stop"]["from"].append(state)
        else:
            always = self.chance()
            self.act("stop", [self.initial, state], self.initial, always=always)
            if always and self.chance():
                self.trial["safe"] = "stop"

    # --------------------------------------------------------------------------------------------- conditions

    def rare_condition(self) -> tuple[str, dict[str, Any]] | None:
        """A condition that is false at the defaults, and what to put to make it true."""
        free = [each for each in self.settings if not each.bound and not each.used]
        if not free:
            return None
        setting = self.one(free)
        setting.used = True  # or else one condition might hide another
        self.points[setting.name].pop("set_in", None)
        if setting.choice:
            word = self.one([word for word in setting.choice if word != setting.default])
            return f"{setting.name} == '{word}'", {setting.name: word}
        now = setting.counts
        if now < setting.high:
            edge = self.number(now, setting.high - 1)
            return f"{setting.name} > {setting.value(edge):f}", {setting.name: setting.value(setting.high)}
        edge = self.number(setting.low + 1, now)
        return f"{setting.name} < {setting.value(edge):f}", {setting.name: setting.value(setting.low)}

    def usual_condition(self, states: list[str]) -> str | None:
        """A condition that is true at the defaults, and can be false; in these states it can be made true."""
        free = [
            each
            for each in self.settings
            if not each.bound and {*states} <= {*self.points[each.name].get("set_in", states)}
        ]
        if not free:
            return None
        setting = self.one(free)
        if setting.choice:
            if self.chance():
                return f"{setting.name} == '{setting.default}'"
            word = self.one([word for word in setting.choice if word != setting.default])
            return f"{setting.name} != '{word}'"
        now = setting.counts
        if now < setting.high:
            return f"{setting.name} <= {setting.value(self.number(now, setting.high - 1)):f}"
        return f"{setting.name} > {setting.value(self.number(setting.low, now - 1)):f}"

    # ------------------------------------------------------------------------------------------- the store

    def draw_stores(self) -> None:
        """Actions on all settings, and which are kept."""
        if self.settings and self.chance():
            self.act("store.defaults", self.with_initial(), does=["defaults"])
            self.trial["reset"] = "store.defaults"
        saved = self.some([each for each in self.settings if not each.bound])
        if any(each.bound for each in self.settings) and self.chance():
            saved += [each for each in self.settings if each.bound]
        if saved:
            for each in saved:
                self.points[each.name]["saved"] = True
            self.act("store.save", self.with_initial(), does=["save"])
            if self.chance():
                self.act("store.recall", self.with_initial(), does=["recall"])
            if self.chance():
                self.count("saves.made", "saves")
        free = self.some([each for each in self.settings if not each.bound])
        if free and self.chance():
            put = {each.name: self.value_for(each) for each in free}
            self.act("preset.put", self.some(list(self.states), 1), does=[{"put": put}])
        if self.chance():
            self.act("self.reboot", self.some(list(self.states), 1), does=["reboot"])

    def value_for(self, setting: Setting) -> Any:
        """A value inside a setting's own limits."""
        if setting.choice:
            return self.one(setting.choice)
        return setting.value(self.number(setting.low, setting.high))

    def draw_rows(self) -> None:
        """Rows in which a setting is kept under a number."""
        free = [each for each in self.settings if not each.bound and not each.used]
        if not free or not self.chance():
            return
        setting = self.one(free)
        like = {key: self.points[setting.name].get(key) for key in ("quantity", "choice", "low", "high")}
        many = self.number(2, 5)
        self.points["kept.row#"] = {
            "means": "Row # of it.", "many": many, "access": "set", "default": setting.default,
            **{key: each for key, each in like.items() if each is not None},
        }  # fmt: skip
        keep: dict[str, Any] = {"kept.row#": {"from": setting.name}}
        self.act("kept.keep", self.some(list(self.states), 1), many=many, does=[{"put": keep}])
        if self.chance():
            take: dict[str, Any] = {setting.name: {"from": "kept.row#"}}
            self.act("kept.take", self.with_initial(), many=many, does=[{"put": take}])
        if self.chance():
            self.act("kept.clear", self.with_initial(), does=[{"put": {"kept.row1": setting.default}}])

    def with_initial(self) -> list[str]:
        return [self.initial, *(name for name in self.some(list(self.states)) if name != self.initial)]

    # --------------------------------------------------------------------------------------------- trips

    def draw_trips(self) -> None:
        self.refuge = self.one(
            [
                name
                for name in self.states
                if name not in self.live and not any("when" in leave for leave in self.leaves(name))
            ]
        )
        for reading in self.some(self.readings):
            self.too_warm(reading)
        self.keep_apart()
        for name in ("surge", "lapse")[: self.number(0, 2)]:
            condition = self.rare_condition()
            if condition is None:
                break
            when, put = condition
            (point,) = put
            trip = self.trip(name, when, ("0 s", "50 ms", "1 s"), point)
            if trip is not None:
                trip["provoke"] = {"state": self.one(self.watched(trip)), "put": put, "within": "1900 ms"}

        for trip in self.trips.values():
            if LATCH in self.states and trip["to"] != LATCH:
                trip.setdefault("in", self.watched(trip))

    def trip(self, name: str, when: str, after: Sequence[str], reports: str) -> dict[str, Any] | None:
        """A protection, without how it is provoked; None if there is no state for it to watch."""
        latched = self.chance()
        to = LATCH if latched else self.refuge
        free = [each for each in self.states if each not in (to, LATCH)]
        if not free:
            return None
        if latched and LATCH not in self.states:
            self.states[LATCH] = {"means": "It has tripped."}
            if "outputs" in self.states[self.initial]:
                self.states[LATCH]["outputs"] = {"heater": 0}
            self.act("trip.clear", [LATCH], self.initial, does=["clear_trip"])
        self.trips[name] = {
            "means": "It protects itself.",
            "when": when,
            "after": self.one(after),
            "latched": latched,
            "to": to,
            "reports": reports,
        }
        if self.chance():
            self.trips[name]["in"] = self.some(free, 1)
        return self.trips[name]

    def watched(self, trip: dict[str, Any]) -> list[str]:
        """The states in which a trip can happen, latched ones aside."""
        return [each for each in trip.get("in", self.states) if each not in (trip["to"], LATCH)]

    def keep_apart(self) -> None:
        """What the weather brings about is brought about where it brings nothing else, or not on purpose."""
        for name, trip in self.trips.items():
            others = [other for each, other in self.trips.items() if each != name]
            shared = {each for other in others for each in self.watched(other)}
            alone = [each for each in self.lasting(trip) if each not in shared]
            if "provoke" in trip and trip["provoke"]["state"] in shared:
                if alone:
                    trip["provoke"]["state"] = self.one(alone)
                else:
                    del trip["provoke"]

    def lasting(self, trip: dict[str, Any]) -> list[str]:
        """Those that no time ends: elsewhere the weather may take too long."""
        watched = self.watched(trip)
        return [each for each in watched if all("when" in leave for leave in self.leaves(each))]

    def too_warm(self, reading: Reading) -> None:
        """A trip that only the weather brings about."""
        edge = Decimal(reading.highest + self.number(12, 20))  # no other value of the weather trips it
        name = f"heat_{reading.name.rpartition('.')[2]}"
        trip = self.trip(name, f"{reading.name} > {edge}", HOLDS, reading.name)
        if trip is None:
            return
        if self.chance():
            trip["every"] = self.one(("1 ms", "20 ms", "100 ms"))
        if self.chance():
            trip["cleared_when"] = f"{reading.name} < {edge - self.number(0, 4)}"
        lasting = self.lasting(trip)
        if lasting:
            trip["provoke"] = {
                "state": self.one(lasting),
                "bench": {"outside.temperature": Decimal(reading.lowest + reading.above)},
                "relief": {"outside.temperature": Decimal(reading.lowest)},
                "within": reading.settled,
            }

    # ------------------------------------------------------------------------------------- laws and records

    def draw_laws(self) -> None:
        numbers = [each for each in self.settings if not each.choice]
        if numbers and self.chance():
            one = self.one(numbers)
            low, high, step = self.range_of(one.quantity)
            kind = self.quantities[one.quantity]
            self.quantities["twice"] = {**kind, "low": 2 * low * step, "high": 2 * high * step}
            self.points["sum.twice"] = {
                "means": "Twice as much.", "quantity": "twice", "derived": f"{one.name} * 2",
            }  # fmt: skip
            self.laws["doubled"] = {
                "means": "It is twice as much.",
                "holds": f"abs(sum.twice - 2 * {one.name}) <= {step:f}",
                "in": self.some(list(self.states), 1),
            }

    def draw_records(self) -> None:
        if not self.settings or not self.chance():
            return
        self.parts.add("bulk")
        fields = [{"name": "layout", "type": "u8", "from": self.number(0, 255)}]
        for index, each in enumerate(self.some(self.settings)):
            low, high = (0, len(each.choice) - 1) if each.choice else self.range_of(each.quantity)[:2]
            fields.append(
                {"name": f"field_{'abcdefghij'[index]}", "type": _type(low, high), "from": each.name}
            )
        self.records["image"] = {
            "means": "What is set.", "order": self.one(("little", "big")), "fields": fields,
        }  # fmt: skip
        if self.readings and self.chance():
            self.draw_series()
        self.points["image.part"] = {
            "means": "One part of it.", "record": "image", "part_bytes": self.number(1, 22),
        }  # fmt: skip

    def draw_series(self) -> None:
        """A record that takes time to fill."""
        fields: list[dict[str, Any]] = []
        for index, reading in enumerate(self.some(self.readings, 1)):
            fields.append(
                {
                    "name": f"trace_{'ab'[index]}",
                    "type": "i16",
                    "from": reading.name,
                    "count": self.number(2, 20),
                    "every": self.one(("10 ms", "1 ms", "100 ms", "70 ms")),
                }
            )
        self.records["trace"] = {"means": "A course.", "order": self.one(("big", "little")), "fields": fields}
        self.points["trace.part"] = {
            "means": "One part of it.", "record": "trace", "part_bytes": self.number(1, 20),
        }  # fmt: skip
        self.act("trace.start", self.some(list(self.states), 1), does=[{"capture": "trace"}])
        if self.chance():
            self.count("trace.done", "captures")

    # --------------------------------------------------------------------------------------------- the wire

    def count(self, name: str, system: str) -> None:
        quantity = self.quantity("count", "1", "1", "0", "65535")
        self.points[name] = {"means": "A count.", "system": system, "quantity": quantity}

    def system(self, name: str, system: str, **more: Any) -> None:
        self.points[name] = {"means": "Kept by the wire.", "system": system, **more}

    def draw_wire(self) -> dict[str, Any]:
        seconds = self.quantity("seconds", "s", self.one(("1", "0.1", "0.5")), "0", "999999")
        self.system("self.vow", "identity")
        self.system("self.state", "state")
        self.system("self.uptime", "uptime", quantity=seconds)
        self.system("self.boot_cause", "boot_cause")
        self.system("link.guard", "guard", access="set")
        if self.chance():
            text = self.one(("SK-####", "2026-11 by hand", "#", 'a "b\\ ??/'))
            self.points["self.text"] = {"means": "Never changes.", "text": text}
        self.count("self.boots", "boots")
        if self.trips:
            self.system("trip.last", "last_trip")
        if self.chance():
            self.parts.add("notices")
            self.system("link.notices", "notices", access="set")
            self.count("link.drops", "drops")
        if self.chance():
            self.parts.add("local")
            self.system("panel.control", "control")
            for each in self.some(self.settings):
                self.points[each.name]["local"] = True
        if self.live or self.chance():
            self.draw_watchdog(seconds)
        wire: dict[str, Any] = {
            "version": 1,
            "baud": self.one((115200, 9600, 300, 1200, 57600, 250000, 4000000)),
            "line_limit": self.one((96, 64, 80, 128, 250, 512)),
            "reply_deadline": self.one(("50 ms", "5 ms", "200 ms", "1 s")),
            "idle_typing": self.one(("30 s", "5 s", "2 s")),
            "idle_checked": self.one(("2 s", "500 ms", "1 s")),
            "parts": sorted(self.parts),
        }
        if self.chance():
            wire["pipeline"] = self.number(1, 64)
        if self.chance():
            wire["notice_queue"] = self.number(1, 64)
        if self.chance():
            wire["opening"] = {
                "resets": self.chance(),
                "settle": self.one(("0 s", "15 ms", "1500 ms", "3 s")),
                "dtr": self.chance(),
                "rts": self.chance(),
            }
        return wire

    def draw_watchdog(self, seconds: str) -> None:
        others = [name for name in self.states if name not in (self.initial, self.refuge, LATCH)]
        watched = self.some(others, 1) if others else []
        if not watched:
            return
        watched = [name for name in others if name in watched or name in self.live]
        self.parts.add("watchdog")
        patience = self.quantity("patience", "s", self.one(("1", "0.5")), "2", "60")
        self.points["link.patience"] = {
            "means": "The longest silence.",
            "quantity": patience,
            "access": "set",
            "default": self.number(4, 60),
        }
        self.system("link.silence", "silence", quantity=seconds)
        if "trip.last" not in self.points:
            self.system("trip.last", "last_trip")
        self.trips["unheard"] = {
            "means": "The host has gone quiet.",
            "when": "link.silence > link.patience",
            "in": watched,
            "latched": False,
            "to": self.refuge,
            "reports": "link.silence",
        }
        brief = ("2 s", "2500 ms")
        lasting = [
            name for name in watched if all(leave.get("after") not in brief for leave in self.leaves(name))
        ]
        if lasting:
            self.trips["unheard"]["provoke"] = {
                "state": self.one(lasting), "put": {"link.patience": 2}, "silence": True, "within": "4 s",
            }  # fmt: skip


def _type(low: int, high: int) -> str:
    for bits in (8, 16, 32):
        if low >= 0 and high < 1 << bits:
            return f"u{bits}"
        if -(1 << bits - 1) <= low and high < 1 << bits - 1:
            return f"i{bits}"
    raise ValueError("no field holds it")


@st.composite
def documents(draw: Draw) -> dict[str, Any]:
    """A document's plain data; `tests.variants.text_of` makes YAML of it. Most are sound."""
    return Author(draw).document()
