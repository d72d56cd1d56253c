"""The course of a sweep: a source is loaded over the range that a person declares, and stops at limits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import fmean
from typing import Any

from wirevow.protocol.client.sync import Client
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.box import (
    ask_si,
    at_rest,
    begin,
    put_si,
    right_way_round,
    safely,
    watchful,
    why_left,
)
from wirevow.protocol.jobs.parts import Parts, PartsError, Swing
from wirevow.protocol.jobs.regulation import (
    Capture,
    Point,
    Regulation,
    Step,
    edge_of,
    regulation,
    step_response,
)
from wirevow.protocol.jobs.settings import Borrowed
from wirevow.protocol.jobs.uncertainty import Channel
from wirevow.protocol.record import span_ns
from wirevow.protocol.vow import record_of

READINGS = 8
CAPTURES, TRIES = 8, 40
AHEAD, BEHIND = 4, 10


@dataclass(frozen=True, slots=True)
class Range:
    """What the person declares of the source, and asks for."""

    low: float
    high: float
    """A"""
    points: int
    least_volts: float
    most_watts: float
    settle_s: float = 0.3
    step: bool = False
    """Also the response to a step from `low` to `high`."""

    def levels(self) -> list[float]:
        return [self.low + (self.high - self.low) * n / (self.points - 1) for n in range(self.points)]


@dataclass(frozen=True, slots=True)
class Swept:
    """What was found."""

    points: tuple[Point, ...]
    regulation: Regulation | None
    """None when a limit left fewer than three points."""
    stopped: str | None
    """Which limit ended it, None if all points were reached."""
    step: Step | None
    left_over: tuple[str, ...] = ()


def check_range(parts: Parts, asked: Range) -> None:
    """Raises WirevowError for a range that cannot be."""
    level = parts.level("current")
    parts.mode("current")
    if asked.points < 3:
        raise WirevowError(f"{asked.points} points show no line: take 3 or more")
    if not asked.low < asked.high:
        raise WirevowError(f"{asked.low:g} A to {asked.high:g} A is no range: give the lower end first")
    if asked.low < level.low or asked.high > level.high:
        raise WirevowError(f"{level.name} goes from {level.low:g} A to {level.high:g} A: narrow the range")
    if asked.step:
        _swing(parts)
        _capture(parts)


class Sweep:
    """One sweep of a source. `tell` gets every point."""

    def __init__(self, client: Client, parts: Parts, asked: Range, tell: Callable[[Point], None]) -> None:
        check_range(parts, asked)
        self.client, self.parts, self.asked, self.tell = client, parts, asked, tell
        self.volts, self.amps = parts.voltage(), parts.current()
        self.level = parts.level("current")
        self.start = parts.start(False, self.volts)

    def run(self) -> Swept:
        """All of it; the box is at rest afterwards. Raises WirevowError."""
        client, parts, asked = self.client, self.parts, self.asked
        (volts,) = ask_si(client, self.volts)
        right_way_round(volts, self.volts)
        if volts < asked.least_volts:
            raise WirevowError(
                f"{self.volts.name} reads {volts:.3f} V before any load, and {asked.least_volts:g} V is the"
                " least that you allow: switch the source on, or look at its leads"
            )
        borrowed = Borrowed(client)
        points: list[Point] = []
        step: Step | None = None
        left: list[str] = []
        try:
            with safely(client, parts):
                at_rest(client, parts)
                watchful(client, parts, max(1.0, asked.settle_s))
                mode = parts.mode("current")
                if mode is not None:
                    borrowed.put(mode.name, mode.word_for("current"))
                borrowed.put_si(self.level, asked.low)
                begin(client, self.start)
                stopped = self._points(points)
                if asked.step and stopped is None:
                    step = self._step(borrowed)
        finally:
            left = borrowed.back()
        channels = Channel.of(self.volts.entry, self.volts.si), Channel.of(self.amps.entry, self.amps.si)
        found = regulation(points, *channels) if len(points) >= 3 else None
        return Swept(tuple(points), found, stopped, step, tuple(left))

    def _points(self, points: list[Point]) -> str | None:
        """Fill in the points; what ended them early."""
        asked = self.asked
        for amps in asked.levels():
            (before,) = ask_si(self.client, self.volts)
            if before * amps > asked.most_watts:
                return f"{amps:g} A would be {before * amps:.1f} W, beyond {asked.most_watts:g} W"
            took = put_si(self.client, self.level, amps)
            self.client.sleep(asked.settle_s)
            point = self._point(took)
            state = self.client[self.parts.state].read()
            if state != self.start.state.name:
                return why_left(self.client, self.parts, str(state))
            if point.volts < asked.least_volts:
                return f"{point.volts:.3f} V at {point.amperes:.3f} A, below {asked.least_volts:g} V"
            slack = 0.01 * took + 10 * self.amps.step + float(self.amps.entry.range_error) * self.amps.si
            if abs(point.amperes - took) > slack:
                return f"the source gives {point.amperes:.3f} A when {took:.3f} A are asked for"
            points.append(point)
            self.tell(point)
        return None

    def _point(self, level: float) -> Point:
        period = max(self.volts.entry.period_ns, self.amps.entry.period_ns, 5_000_000) / 1e9
        seen = []
        for _ in range(READINGS):
            self.client.sleep(period)
            seen.append(ask_si(self.client, self.volts, self.amps))
        return Point(level, fmean(each[1] for each in seen), fmean(each[0] for each in seen))

    # ------------------------------------------------------------------------------------------------- step

    def _step(self, borrowed: Borrowed) -> Step:
        """Swing between the ends of the range, so fast that every capture holds an edge."""
        client, parts, asked = self.client, self.parts, self.asked
        begin_swing, low, high, times = _swing(parts)
        take, record = _capture(parts)
        half = span_ns(record_of(parts.vow, record)) / 2e9
        fast = parts.number_driven("slew")
        if fast is not None:
            borrowed.put_si(fast, fast.high)
        borrowed.put_si(low, low.low)
        borrowed.put_si(high, asked.high)
        borrowed.put_si(low, asked.low)
        for each in times:
            borrowed.put_si(each, half)
        put_si(client, self.level, asked.low)
        client[begin_swing]()
        captures: list[Capture] = []
        for attempt in range(TRIES):
            # The swing and the capture know nothing of each other: where the edge falls is chance.
            client.sleep(0.05 + 0.00037 * attempt)
            client[take]()
            client.sleep(3 * half + 0.02)
            captured = self._read(record)
            edge = edge_of(captured)
            if edge is not None and AHEAD <= edge <= len(captured.volts) - BEHIND:
                captures.append(captured)
                if len(captures) == CAPTURES:
                    break
        try:
            return step_response(captures, AHEAD, BEHIND)
        except ValueError as error:
            raise WirevowError(str(error)) from None

    def _read(self, record: Any) -> Capture:
        vow = self.parts.vow
        layout = record_of(vow, record)
        values = self.client[record.name].record()
        amps = next(each for each in layout.fields if _series(vow, each) == "A")
        volts = next(each for each in layout.fields if _series(vow, each) == "V")
        assert isinstance(amps.value, str)
        assert isinstance(volts.value, str)
        scales = [float(vow.points[name].number.step) for name in (amps.value, volts.value)]
        return Capture(
            (amps.every or 0) / 1e9,
            [scales[0] * count for count in values[amps.name]],
            [scales[1] * count for count in values[volts.name]],
        )


def _swing(parts: Parts) -> Swing:
    swing = parts.swing()
    if swing is None:
        raise PartsError(f"{parts.vow.identity[0]} cannot swing between two levels: leave --step out")
    return swing


def _capture(parts: Parts) -> tuple[str, Any]:
    """The action that takes a capture of current and voltage, and the point that answers it."""
    vow = parts.vow
    for entry in vow.points.values():
        if entry.record is None:
            continue
        action = vow.doing("capture", entry.record)
        units = {_series(vow, each) for each in record_of(vow, entry).fields}
        if action is not None and {"A", "V"} <= units:
            return action.name, entry
    raise PartsError(f"{vow.identity[0]} has no capture of current and voltage: leave --step out")


def _series(vow: Any, field: Any) -> str | None:
    """The unit of a series of samples; None for another field."""
    if field.count == 1 or not isinstance(field.value, str):
        return None
    scale = vow.points[field.value].scale
    return None if scale is None else str(scale.unit)
