"""The course of a calibration: points, trims, verification, certificate, and the way back."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from statistics import fmean, stdev
from typing import Any

from wirevow.protocol.client.sync import Client
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.box import ask_si, at_rest, begin, put_si, right_way_round, safely, watchful
from wirevow.protocol.jobs.parts import Part, Parts, PartsError, Trims
from wirevow.protocol.jobs.settings import Borrowed
from wirevow.protocol.jobs.trimming import Correction, Meter, Pair, chosen, level, reading

READINGS = 16
"""Behind each point: their mean is taken."""
SETTLE_S = 0.5
LAYOUT = "wirevow certificate 1"


@dataclass(frozen=True, slots=True)
class Hands:
    """What reaches outside: the meter's value (V or A), the source brought to a voltage, words for a
    person."""

    meter: Callable[[], float]
    source: Callable[[float], None]
    tell: Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Verified:
    """One point of the verification."""

    pair: Pair
    expanded: float
    limit: float

    @property
    def good(self) -> bool:
        return abs(self.pair.error) <= self.limit


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Of one thing (`voltage`, `current`, `level`)."""

    of: str
    point: str
    before: dict[str, float]
    after: dict[str, float]
    correction: Correction
    found: tuple[Pair, ...]
    verified: tuple[Verified, ...]

    @property
    def good(self) -> bool:
        return all(each.good for each in self.verified)


class Calibration:
    """One calibration: of `voltage`, or of `current`, with the level where that can be trimmed."""

    def __init__(self, client: Client, parts: Parts, quantity: str, meter: Meter, hands: Hands) -> None:
        self.client, self.parts, self.meter, self.hands = client, parts, meter, hands
        self.quantity = quantity
        self.unit = "V" if quantity == "voltage" else "A"
        self.part = parts.voltage() if quantity == "voltage" else parts.current()
        self.trims: dict[str, Trims] = {quantity: parts.trims(quantity)}
        if quantity == "current":
            self.level = parts.level("current")
            try:
                self.trims["level"] = parts.trims("level")
            except PartsError:
                hands.tell("the level has no trims of its own: the reading alone is corrected")
        self.volts = self.part if quantity == "voltage" else parts.voltage()
        self.enter, self.leave = _trimming(parts, self.trims[quantity].gain)

    def run(self, low: float, high: float, count: int = 9) -> list[Calibrated]:
        """Measure, trim, verify; the box is at rest afterwards. WirevowError, and the old trims in force."""
        try:
            points, between = chosen(low, high, count)
        except ValueError as error:
            raise WirevowError(str(error)) from None
        (volts,) = ask_si(self.client, self.volts)
        right_way_round(volts, self.volts)
        before = {of: self._trims(of) for of in self.trims}
        found = self._measure(points)
        corrections = {of: self._correct(of, found[of], before[of]) for of in self.trims}
        try:
            self.write({of: (each.gain.value, each.shift.value) for of, each in corrections.items()})
            after = {of: self._trims(of) for of in self.trims}
            verified = self._measure(between)
        except BaseException:
            self.write({of: (each["gain"], each["shift"]) for of, each in before.items()})
            raise
        return [
            Calibrated(
                of,
                self.part.name if of == self.quantity else self.level.name,
                before[of],
                after[of],
                corrections[of],
                tuple(found[of]),
                tuple(self._judged(pair, corrections[of]) for pair in verified[of]),
            )
            for of in self.trims
        ]

    # -------------------------------------------------------------------------------------------- measuring

    def _measure(self, points: Sequence[float]) -> dict[str, list[Pair]]:
        return self._voltages(points) if self.quantity == "voltage" else self._currents(points)

    def _voltages(self, points: Sequence[float]) -> dict[str, list[Pair]]:
        at_rest(self.client, self.parts)
        pairs = []
        for index, volts in enumerate(points, 1):
            self.hands.tell(f"point {index} of {len(points)}: about {volts:g} V")
            self.hands.source(volts)
            self.client.sleep(SETTLE_S)
            pairs.append(self._pair())
        return {"voltage": pairs}

    def _currents(self, points: Sequence[float]) -> dict[str, list[Pair]]:
        client, parts = self.client, self.parts
        start = parts.start(False, parts.voltage())
        mode = parts.mode("current")
        borrowed = Borrowed(client)
        readings: list[Pair] = []
        levels: list[Pair] = []
        try:
            with safely(client, parts):
                at_rest(client, parts)
                watchful(client, parts, 60.0 if not client.host.virtual else 5.0)
                if mode is not None:
                    borrowed.put(mode.name, mode.word_for("current"))
                borrowed.put_si(self.level, points[0])
                begin(client, start)
                for index, amps in enumerate(points, 1):
                    self.hands.tell(f"point {index} of {len(points)}: {amps:g} A")
                    took = put_si(client, self.level, amps)
                    client.sleep(SETTLE_S)
                    pair = self._pair()
                    state = client[parts.state].read()
                    if state != start.state.name:
                        raise WirevowError(f"at {amps:g} A the instrument went to {state}: narrow the range")
                    readings.append(pair)
                    levels.append(Pair(pair.true, took))
        finally:
            borrowed.back()
        return {"current": readings, "level": levels}

    def _pair(self) -> Pair:
        period = max(self.part.entry.period_ns / 1e9, 0.005)
        seen = []
        for _ in range(READINGS):
            self.client.sleep(period)
            seen += ask_si(self.client, self.part)
        if stdev(seen) > 10 * self.part.step + 0.01 * abs(fmean(seen)):
            raise WirevowError(
                f"{self.part.name} does not stand still ({min(seen):.4f} to {max(seen):.4f} {self.unit}):"
                " wait until the source is quiet, and tighten its leads"
            )
        if self.quantity == "voltage":
            right_way_round(fmean(seen), self.part)
        true = self.hands.meter()
        if not math.isfinite(true):
            raise WirevowError("the meter gave no number: look at its range and its leads")
        return Pair(true, fmean(seen))

    def _correct(self, of: str, pairs: Sequence[Pair], before: dict[str, float]) -> Correction:
        work = level if of == "level" else reading
        step = self.level.step if of == "level" else self.part.step
        try:
            return work(pairs, self.meter, before["gain"], before["shift"], step, self.unit)
        except ValueError as error:
            raise WirevowError(str(error)) from None

    def _judged(self, pair: Pair, correction: Correction) -> Verified:
        entry = self.part.entry
        limit = float(entry.accuracy(Fraction(pair.true / self.part.si))) * self.part.si
        u = math.hypot(self.meter.u(pair.true), correction.scatter)
        return Verified(pair, correction.gain.k * u, limit)

    # ------------------------------------------------------------------------------------------------ trims

    def _trims(self, of: str) -> dict[str, float]:
        trims = self.trims[of]
        gain, shift = ask_si(self.client, trims.gain, trims.shift)
        return {"gain": gain, "shift": shift}

    def write(self, values: dict[str, tuple[float, float]]) -> None:
        """Put trims, by what they correct. Raises WirevowError: all or none of them are changed."""
        at_rest(self.client, self.parts)
        borrowed = Borrowed(self.client)
        self.client[self.enter]()
        try:
            for of, (gain, shift) in values.items():
                trims = self.trims[of]
                for part, value in ((trims.gain, gain), (trims.shift, shift)):
                    if not part.low <= value <= part.high:
                        raise WirevowError(
                            f"{part.name} would be {value:.5f}, and goes from {part.low:g} to"
                            f" {part.high:g}: the"
                            f" {of} is off by more than trims can mend; look for the cause in the hardware"
                        )
                    borrowed.put_si(part, value)
        except BaseException:
            borrowed.back()
            raise
        finally:
            self.client[self.leave]()

    def save(self) -> bool:
        """Keep the trims in the instrument's store; False if it has none."""
        action = self.parts.vow.doing("save")
        if action is None:
            return False
        at_rest(self.client, self.parts)
        self.client[action.name]()
        return True


def _trimming(parts: Parts, gain: Part) -> tuple[str, str]:
    """The actions into the state in which trims can be put, and out of it."""
    vow = parts.vow
    allowed = gain.entry.set_in or frozenset({vow.initial})
    if vow.initial in allowed:
        return parts.safe, parts.safe
    for state in sorted(allowed):
        enter = [each for each in vow.actions.values() if each.to.get(vow.initial) == state]
        leave = [each for each in vow.actions.values() if each.to.get(state) == vow.initial and not each.does]
        if enter and leave:
            return enter[0].name, min(leave, key=lambda each: len(each.to)).name
    raise PartsError(f"{vow.identity[0]} has no action that leads to a state in which {gain.name} can be put")


def certificate(
    vow: str,
    meter: Meter,
    done: Sequence[Calibrated],
    today: date,
    ambient: float | None,
    warnings: Sequence[str],
) -> dict[str, Any]:
    """All of it, for a file: dated, and enough to undo it."""
    return {
        "layout": LAYOUT,
        "date": today.isoformat(),
        "document": vow,
        "meter": {
            "name": meter.name,
            "percent": meter.percent,
            "offset": meter.offset,
            "calibrated": None if meter.calibrated is None else meter.calibrated.isoformat(),
        },
        "ambient_celsius": ambient,
        "warnings": list(warnings),
        "verified": all(each.good for each in done),
        "corrections": [
            {
                "of": each.of,
                "point": each.point,
                "before": each.before,
                "after": each.after,
                "gain": each.correction.gain.as_json(),
                "shift": each.correction.shift.as_json(),
                "points": [
                    {"true": pair.true, "seen": pair.seen, "error": pair.error, "residual": residual}
                    for pair, residual in zip(each.found, each.correction.residuals, strict=True)
                ],
                "verification": [
                    {
                        "true": one.pair.true,
                        "seen": one.pair.seen,
                        "error": one.pair.error,
                        "expanded_uncertainty": one.expanded,
                        "limit": one.limit,
                        "good": one.good,
                    }
                    for one in each.verified
                ],
            }
            for each in done
        ],
    }
