"""The course of a discharge: what is put and asked, when, and what ends it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from statistics import fmean, stdev
from typing import Any

from wirevow.protocol.client.failures import Silent
from wirevow.protocol.client.sync import Client
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs import battery as batteries
from wirevow.protocol.jobs.battery import Battery
from wirevow.protocol.jobs.box import ask, ask_si, at_rest, begin, put_si, safely, watchful, why_left
from wirevow.protocol.jobs.capacity import SECONDS_PER_HOUR, Totals, left_seconds, rated_conditions, totals
from wirevow.protocol.jobs.parts import MODES, Parts, Start
from wirevow.protocol.jobs.resistance import (
    HIGH_RATE,
    HIGH_S,
    LOW_RATE,
    LOW_S,
    NO_PULSES,
    Condition,
    Held,
    Resistance,
    Setting,
    Unmeasured,
    after_rest,
    direct,
    no_tone,
)
from wirevow.protocol.jobs.runlog import Row
from wirevow.protocol.jobs.settings import Borrowed
from wirevow.protocol.jobs.stopping import Limits, stopped_by
from wirevow.protocol.jobs.uncertainty import Channel
from wirevow.protocol.serialport import PortError

SETTLE_S = 0.06
"""After a change of level, before it is looked at: three samples of a converter (common practice, no
source)."""
LOOKS = 5
"""Readings behind each voltage of a resistance pulse."""
LOOK_S = 0.025
COLLAPSE = 0.15
"""Share of the cut-off by which no sound battery falls from one look to the next (common practice, no
source)."""
DONE = frozenset({"cut-off", "time", "charge", "energy"})
"""Ends that were asked for."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be done with a battery."""

    battery: Battery
    mode: str
    level: float
    """In the SI unit of the mode (`MODES`)."""
    every_s: float = 1.0
    pause_every_s: float | None = None
    """Time under load between two rests."""
    pause_s: float = 0.0
    pulses: bool = False
    """Measure the internal resistance by the direct method at the start and after each rest, at a current."""
    limits: Limits = field(default_factory=Limits)
    ambient: float | None = None
    rested_h: float | None = None

    @property
    def setting(self) -> Setting:
        return Setting(
            self.battery.chemistry.startswith("lithium"), self.battery.rated_ah, self.ambient, self.rested_h
        )

    def about(self) -> dict[str, Any]:
        """What a log and a result say of it."""
        return {
            "chemistry": self.battery.chemistry,
            "cells": self.battery.cells,
            "cut_off_volts_per_cell": self.battery.cut_off,
            "rated_ampere_hours": self.battery.rated_ah,
            "mode": self.mode,
            "level": self.level,
            "unit": MODES[self.mode],
            "ambient_celsius": self.ambient,
            "rested_hours": self.rested_h,
        }


@dataclass(frozen=True, slots=True)
class Result:
    """What came of it."""

    reason: str
    text: str
    """For people: what was seen."""
    totals: Totals
    resistances: tuple[tuple[float, Resistance], ...]
    """With the charge (A.h) that was out when each was measured."""
    conditions: tuple[Condition, ...]
    """What a rated capacity after the standard asks for."""
    rows: list[Row]
    counted: float | None
    """The box's own counter over all segments, A.h."""
    left_over: tuple[str, ...] = ()
    """Settings that could not be put back."""
    unmeasured: tuple[Unmeasured, ...] = ()
    """Of the two methods for the internal resistance, those that gave none."""

    @property
    def done(self) -> bool:
        return self.reason in DONE


class _End(Exception):
    def __init__(self, reason: str, text: str) -> None:
        self.reason, self.text = reason, text


def check_plan(parts: Parts, plan: Plan) -> Start:
    """How the plan is started. Raises WirevowError where the document or the plan does not allow it."""
    level = parts.level(plan.mode)
    parts.mode(plan.mode)
    parts.current()
    if not level.low <= plan.level <= level.high or not plan.level > 0:
        unit = MODES[plan.mode]
        raise WirevowError(
            f"{plan.level:g} {unit} is not what {level.name} holds: {max(level.low, 0):g} {unit} to"
            f" {level.high:g} {unit}"
        )
    start = parts.start(True, parts.voltage(), plan.mode)
    if plan.pulses:
        rated = plan.battery.rated_ah
        if rated is None:
            raise WirevowError(
                "the resistance pulses are multiples of the rated capacity: declare it (--rated)"
            )
        if plan.mode != "current":
            raise WirevowError("resistance pulses are currents: discharge at a current, or leave them out")
        if HIGH_RATE * rated > level.high:
            raise WirevowError(
                f"the second pulse is {HIGH_RATE * rated:g} A, and {level.name} goes to {level.high:g} A:"
                " this box"
                " cannot measure the resistance of so large a battery by this method"
            )
    if plan.pause_every_s is not None and plan.mode == "current" and level.low > 0:
        raise WirevowError(f"{level.name} cannot be 0: leave the rests out")
    return start


@dataclass
class Course:
    """One start of a discharge. `tell` gets every row with the estimate of the seconds left."""

    client: Client
    parts: Parts
    plan: Plan
    add: Callable[[Row], None] = lambda row: None
    tell: Callable[[Row, float | None], None] = lambda row, left: None
    earlier: list[Row] = field(default_factory=list)

    def __post_init__(self) -> None:
        parts, plan = self.parts, self.plan
        self.start = check_plan(parts, plan)
        self.volts, self.amps = parts.voltage(), parts.current()
        self.heat, self.counter = parts.temperature(), parts.charge()
        self.level = parts.level(plan.mode)
        self.rows = list(self.earlier)
        self._segment = self.rows[-1].segment + 1 if self.rows else 1
        self._base = self.rows[-1].seconds if self.rows else 0.0
        self._zero = 0.0
        self._held = 0.0
        self._last_level: float | None = None
        self._low = 0
        self._pulses: list[tuple[float, Resistance]] = []

    @property
    def channels(self) -> tuple[Channel, Channel]:
        return Channel.of(self.volts.entry, self.volts.si), Channel.of(self.amps.entry, self.amps.si)

    # ---------------------------------------------------------------------------------------------- course

    def run(self) -> Result:
        """All of it. The box is at rest afterwards, whatever happened. Raises WirevowError."""
        borrowed = Borrowed(self.client)
        left: list[str] = []
        (volts,) = ask_si(self.client, self.volts)
        batteries.found(self.plan.battery, volts, self.volts.name)
        try:
            with safely(self.client, self.parts):
                at_rest(self.client, self.parts)
                self._prepare(borrowed)
                try:
                    self._work()
                except _End as end:
                    ended = end
            self._afterwards(ended)
        finally:
            left = borrowed.back()
        volts_channel, amps_channel = self.channels
        return Result(
            ended.reason,
            ended.text,
            totals(self.rows, volts_channel, amps_channel),
            tuple(self._pulses),
            rated_conditions(
                self.plan.setting,
                self.plan.mode == "current",
                self.plan.level,
                ended.reason == "cut-off",
                self.plan.pause_every_s is not None or self._segment > 1 or self.plan.pulses,
            ),
            self.rows,
            self._counted(),
            tuple(left),
            self._unmeasured(),
        )

    def _unmeasured(self) -> tuple[Unmeasured, ...]:
        swing = self.parts.swing()
        # On a square wave both levels last a whole number of steps, at least one.
        shortest = None if swing is None else sum(max(each.low, each.step) for each in swing.times)
        tone = no_tone(self.parts.vow.identity[0], None if shortest is None else 1 / shortest)
        if not self.plan.pulses:
            return NO_PULSES, tone
        if not any(each.method == "direct" for _, each in self._pulses):
            return Unmeasured("direct", "the discharge ended before its pulses were over"), tone
        return (tone,)

    def _prepare(self, borrowed: Borrowed) -> None:
        parts, plan, battery = self.parts, self.plan, self.plan.battery
        watchful(self.client, parts, plan.every_s)
        mode = parts.mode(plan.mode)
        if mode is not None:
            borrowed.put(mode.name, mode.word_for(plan.mode))
        if self.start.cut_off is not None:
            self._cut_off(borrowed, battery)
        first = LOW_RATE * (battery.rated_ah or 0.0) if plan.pulses else plan.level
        borrowed.put_si(self.level, first)
        self._held = first

    def _cut_off(self, borrowed: Borrowed, battery: Battery) -> None:
        part = self.start.cut_off
        assert part is not None
        took = borrowed.put_si(part, battery.lowest)
        if took < battery.lowest - part.step:
            raise WirevowError(f"{part.name} became {took:g} V, below the cut-off of {battery.lowest:g} V")
        cells = self.parts.cells_of(part)
        if cells is not None and cells.number.low <= battery.cells <= cells.number.high:
            borrowed.put(cells.name, float(battery.cells))

    def _work(self) -> None:
        plan = self.plan
        self._zero = self.client.now_s() - self._base
        self._look("open")
        begin(self.client, self.start)
        if plan.pulses:
            self._pulse()
        while True:
            self._load(plan.pause_every_s)
            self._rest(plan.pause_s)
            if plan.pulses:
                self._pulse()

    def _load(self, seconds: float | None) -> None:
        self._change(self.plan.level)
        self._watch("load", seconds)

    def _rest(self, seconds: float) -> None:
        if self.plan.mode == "current":
            self._change(0.0)
            self._watch("rest", seconds)
            return
        self.client[self.parts.safe]()
        self._held = 0.0
        self._watch("rest", seconds)
        begin(self.client, self.start)
        self._held = self.plan.level

    def _watch(self, phase: str, seconds: float | None) -> None:
        """Look every so often, for so long; None until a rule ends it."""
        self._sleep(SETTLE_S)
        began = self.client.now_s()
        rested = self.rows[-1]
        row = self._look(phase)
        if rested.phase == "rest" and phase == "load" and row.amperes > rested.amperes + self.amps.step:
            found = after_rest(
                Held(rested.amperes, rested.volts, self.plan.pause_s),
                Held(row.amperes, row.volts, SETTLE_S),
                *self.channels,
            )
            self._pulses.append((rested.ampere_hours, found))
        due = began + self.plan.every_s
        end = None if seconds is None else began + seconds - SETTLE_S
        while end is None or due < end:
            self._sleep(max(due - self.client.now_s(), 0.0))
            self._look(phase)
            # A look that came late does not make those after it come in a bunch.
            due = max(due + self.plan.every_s, self.client.now_s())
        if end is not None:
            self._sleep(max(end - self.client.now_s(), 0.0))
            self._look(phase)

    def _change(self, level: float) -> None:
        if level != self._held:
            self._look("load" if self._held else "rest")
            put_si(self.client, self.level, level)
            self._held = level

    def _pulse(self) -> None:
        rated = self.plan.battery.rated_ah or 0.0
        drawn = self.rows[-1].ampere_hours
        held = []
        for rate, seconds in ((LOW_RATE, LOW_S), (HIGH_RATE, HIGH_S)):
            if self._held != rate * rated:
                put_si(self.client, self.level, rate * rated)
                self._held = rate * rated
            began = self.client.now_s()
            self._sleep(SETTLE_S)
            self._look("pulse")
            early = began + seconds - LOOKS * LOOK_S / 2
            while (left := early - self.client.now_s()) > 0:
                self._sleep(min(left, self.plan.every_s))
                if early - self.client.now_s() > 0.05:
                    self._look("pulse")
            seen = []
            for _ in range(LOOKS):
                seen.append(ask_si(self.client, self.volts, self.amps))
                self._sleep(LOOK_S)
            self._look("pulse")
            volts = [each[0] for each in seen]
            held.append(
                Held(
                    fmean(each[1] for each in seen),
                    fmean(volts),
                    seconds
                    if abs(self.client.now_s() - began - seconds) <= LOOKS * LOOK_S
                    else self.client.now_s() - began,
                    max(stdev(volts), self.volts.step / 2) / LOOKS**0.5,
                )
            )
        self._pulses.append((drawn, direct(held[0], held[1], *self.channels, self.plan.setting, drawn)))

    # ---------------------------------------------------------------------------------------------- looking

    def _look(self, phase: str) -> Row:
        names = [self.parts.state, self.volts.name, self.amps.name]
        names += [each.name for each in (self.heat, self.counter) if each is not None]
        asked = self._now()
        state, *words = self._ask(names)
        seconds = 0.5 * (asked + self._now())
        numbers = [float(word) for word in words]
        volts, amps = numbers[0] * self.volts.si, numbers[1] * self.amps.si
        rest = iter(numbers[2:])
        heat = next(rest) if self.heat is not None else None
        counted = next(rest) if self.counter is not None else None
        before = self.rows[-1] if self.rows else None
        charge = before.ampere_hours if before is not None else 0.0
        energy = before.watt_hours if before is not None else 0.0
        if before is not None and before.segment == self._segment:
            hours = (seconds - before.seconds) / SECONDS_PER_HOUR
            charge += 0.5 * (before.amperes + amps) * hours
            energy += 0.5 * (before.amperes * before.volts + amps * volts) * hours
        energised = state == self.start.state.name
        if not energised and phase not in ("open", "rest"):
            phase = "ended"
        level = 0.0 if phase in ("open", "ended") else self._held
        row = Row(
            self._segment, seconds, phase, level, volts, amps, heat, charge, energy, counted,
            self._last_level == self._held,
        )  # fmt: skip
        self._last_level = self._held
        self.rows.append(row)
        self.add(row)
        self.tell(row, self._left(row))
        if phase == "ended" or (phase == "rest" and self.plan.mode == "current" and not energised):
            raise self._ended(str(state), volts)
        if phase == "open":
            return row
        self._judge(row, before)
        return row

    def _judge(self, row: Row, before: Row | None) -> None:
        lowest = self.plan.battery.lowest
        if row.volts < -0.2:
            raise WirevowError(f"the battery is reversed: {self.volts.name} reads {row.volts:.3f} V")
        loaded = row.phase in ("load", "pulse")
        self._low = self._low + 1 if loaded and row.volts < lowest else 0
        # Where the box keeps the cut-off itself it has a second to do it; else the host acts on two looks.
        if self._low >= (2 if self.start.cut_off is None else 4):
            raise _End("cut-off", f"{row.volts:.3f} V under load, the cut-off is {lowest:.3f} V")
        rule = stopped_by(self.plan.limits, row, before)
        if rule is not None:
            raise _End(*rule)

    def _ended(self, state: str, volts: float) -> _End:
        """What a state that nobody asked for means."""
        own = [leave for leave in self.start.state.leaves if leave.to == state]
        trips = {trip.to for trip in self.parts.vow.trips.values()}
        if self.start.cut_off is not None and own and state not in trips:
            loaded = [row.volts for row in self.rows if row.phase in ("load", "pulse")]
            if loaded and loaded[-1] > (1 + COLLAPSE) * self.plan.battery.lowest:
                return _End(
                    "voltage step",
                    f"the box ended it at its cut-off, and the look before saw {loaded[-1]:.3f} V: a lead"
                    " that"
                    " came off, or a cell that gave way",
                )
            return _End("cut-off", f"the box ended it at its cut-off of {self.plan.battery.lowest:.3f} V")
        return _End("trip", why_left(self.client, self.parts, state))

    def _ask(self, names: list[str]) -> list[Any]:
        since = self.client.now_s()
        while True:
            tried = self.client.now_s()
            try:
                return list(ask(self.client, *names))
            except (Silent, PortError) as error:
                now = self.client.now_s()
                if now - since >= self.plan.limits.silence or now - tried < 0.01:
                    raise _End("silence", error.message) from error

    def _sleep(self, seconds: float) -> None:
        """Let time pass. A port that is lost meanwhile is for the next look to find, and to wait for."""
        with suppress(Silent, PortError):
            self.client.sleep(seconds)

    def _now(self) -> float:
        return self.client.now_s() - self._zero

    def _left(self, row: Row) -> float | None:
        limits, battery = self.plan.limits, self.plan.battery
        guesses = [left_seconds(self.rows, battery.lowest, battery.rated_ah, row.ampere_hours, row.amperes)]
        if limits.seconds is not None:
            guesses.append(limits.seconds - row.seconds)
        if limits.ampere_hours is not None and row.amperes > 0:
            guesses.append((limits.ampere_hours - row.ampere_hours) / row.amperes * SECONDS_PER_HOUR)
        return min((max(each, 0.0) for each in guesses if each is not None), default=None)

    def _counted(self) -> float | None:
        if self.start.cut_off is None:
            return None  # a box that only holds does not begin its counters at zero
        seen = [(row.segment, row.counted) for row in self.rows if row.phase != "open"]
        total, before = 0.0, None
        for segment, counted in seen:
            if counted is None:
                return None
            # Each start begins at zero: a segment's, and after a rest with the input disconnected.
            if before is not None and (segment != before[0] or counted < before[1]):
                total += before[1]
            before = segment, counted
        return None if before is None else total + before[1]

    def _afterwards(self, ended: _End) -> None:
        """One more look, at rest: the current is gone, and the sum closed."""
        if ended.reason == "silence" or self.rows[-1].phase == "ended":
            return
        self._sleep(SETTLE_S)
        self._held = 0.0
        try:
            self._look("load")
        except _End:
            return
