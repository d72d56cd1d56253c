"""Internal resistance of a battery, by the two methods of IEC 61960-3:2017 (7.7.2 and 7.7.3, from memory).

Each method is a table of conditions. A result bears the standard's name only where all of them are met;
what is not is told with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from wirevow.protocol.jobs.uncertainty import Channel, Measured, unknown

STANDARD = "IEC 61960-3:2017"
LOW_RATE, HIGH_RATE = 0.2, 1.0
"""Currents of the direct method, in multiples of It (the current that empties the rated capacity in 1 h)."""
LOW_S, HIGH_S = 10.0, 1.0
"""How long each flows before the voltage is read."""
SLACK_S = 0.1
FRESH = 0.01
"""Share of the rated capacity that counts as nothing (common practice, no source)."""
TONE_HZ, TONE_SLACK_HZ = 1000.0, 100.0
"""Frequency of the alternating method."""
TONE_PEAK_VOLTS = 0.020
"""The alternating voltage stays below this peak."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of a standard, and whether it was met."""

    asks: str
    was: str
    met: bool


@dataclass(frozen=True, slots=True)
class Resistance:
    """One result."""

    method: str
    """`direct`, `alternating`, or `rest` (`after_rest`)."""
    ohms: Measured
    conditions: tuple[Condition, ...]

    @property
    def named(self) -> bool:
        """Whether it may bear the standard's name."""
        return all(each.met for each in self.conditions)

    @property
    def title(self) -> str:
        return f"{self.method} method" + (f" ({STANDARD})" if self.named else " (not after a standard)")

    @property
    def unmet(self) -> str:
        """The conditions that were not met, and what was instead; empty if there are none."""
        return "; ".join(f"{each.asks} ({each.was})" for each in self.conditions if not each.met)


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """A method that gave no result, and why."""

    method: str
    why: str

    def __str__(self) -> str:
        return f"{self.method} method not measured: {self.why}"


NO_PULSES = Unmeasured("direct", "it was not asked for (--pulses)")


def no_tone(name: str, fastest_hz: float | None) -> Unmeasured:
    """Why a box does not measure by the alternating method. `fastest_hz`: of its swing, None without one."""
    asks = (
        f"{STANDARD} asks for an alternating current of {TONE_HZ:g} Hz ± {TONE_SLACK_HZ:g} Hz at less than"
        f" {1000 * TONE_PEAK_VOLTS:g} mV, a sine"
    )
    if fastest_hz is None:
        can = "draws a direct one alone"
    else:
        can = f"steps between two direct ones, a square wave of at most {fastest_hz:g} Hz"
    return Unmeasured("alternating", f"{asks}; {name} {can}. A meter made for this method measures it")


@dataclass(frozen=True, slots=True)
class Setting:
    """What the person declares of the circumstances; None is not declared."""

    lithium: bool
    rated_ah: float | None
    ambient: float | None
    """Cel."""
    rested_h: float | None
    """Hours since it was fully charged after its maker's method."""


def circumstances(setting: Setting) -> tuple[Condition, ...]:
    """What both methods and the rated capacity ask of the battery and the room."""
    ambient, rested = setting.ambient, setting.rested_h
    return (
        Condition("a lithium battery", "yes" if setting.lithium else "no", setting.lithium),
        Condition(
            "20 Cel ± 5 K around it",
            "not declared" if ambient is None else f"{ambient:g} Cel",
            ambient is not None and 15.0 <= ambient <= 25.0,
        ),
        Condition(
            "fully charged, then rested for 1 h to 4 h",
            "not declared" if rested is None else f"{rested:g} h",
            rested is not None and 1.0 <= rested <= 4.0,
        ),
    )


@dataclass(frozen=True, slots=True)
class Held:
    """What was read at the end of a time at constant current."""

    amperes: float
    volts: float
    seconds: float
    u_volts: float = 0.0
    """Standard uncertainty of the voltage from the scatter of its readings (type A, GUM 4.2)."""


def direct(
    low: Held, high: Held, volts: Channel, amperes: Channel, setting: Setting, drawn_ah: float = 0.0
) -> Resistance:
    """(U1 - U2) / (I2 - I1) from the ends of two currents, one after the other without a pause.

    `drawn_ah` is the charge that was out already. `ValueError` when the currents are the same.
    """
    if high.amperes == low.amperes:
        raise ValueError("the two currents are the same: choose a higher second one")
    scatter = unknown(math.hypot(low.u_volts, high.u_volts), "scatter of the voltage")
    ohms = (volts.difference(low.volts, high.volts) + scatter) / amperes.difference(high.amperes, low.amperes)
    rated = setting.rated_ah

    def rate(asks: float, held: Held) -> Condition:
        was = "no rated capacity declared" if rated is None else f"{held.amperes / rated:.3f} It"
        met = rated is not None and abs(held.amperes / rated - asks) <= 0.02 * asks
        return Condition(f"{asks:g} It", was, met)

    def lasted(asks: float, held: Held) -> Condition:
        return Condition(
            f"read after {asks:g} s ± {SLACK_S:g} s",
            f"{held.seconds:.3f} s",
            abs(held.seconds - asks) <= SLACK_S + 1e-9,
        )

    return Resistance(
        "direct",
        Measured.of(ohms, "Ohm"),
        (
            *circumstances(setting),
            Condition(
                "nothing drawn before",
                f"{drawn_ah:.3f} A.h",
                rated is not None and drawn_ah <= FRESH * rated,
            ),
            rate(LOW_RATE, low),
            lasted(LOW_S, low),
            rate(HIGH_RATE, high),
            lasted(HIGH_S, high),
        ),
    )


def after_rest(rest: Held, load: Held, volts: Channel, amperes: Channel) -> Resistance:
    """(U0 - U1) / (I1 - I0), where a load follows a rest: the ohmic part, in whatever mode the load is.

    What slower answers of the cells add grows with the time from the load's begin to its reading (the RC
    pairs of an equivalent circuit; Plett, Battery Management Systems I, 2015, chapter 2, from memory).
    `ValueError` when the currents are the same.
    """
    if load.amperes == rest.amperes:
        raise ValueError("rest and load have the same current: load it more")
    ohms = volts.difference(rest.volts, load.volts) / amperes.difference(load.amperes, rest.amperes)
    was = f"a rest, and {load.seconds:g} s of load"
    asked = Condition("two currents, one after the other without a pause", was, met=False)
    return Resistance("rest", Measured.of(ohms, "Ohm"), (asked,))


@dataclass(frozen=True, slots=True)
class Tone:
    """Current and voltage sampled together while the current alternates."""

    every_s: float
    amperes: Sequence[float]
    volts: Sequence[float]
    hertz: float
    lasted_s: float
    """How long the current had alternated when the samples ended."""
    sine: bool
    """Whether the current is a sine; a square one has other tones besides."""


def phasor(samples: Sequence[float], every_s: float, hertz: float) -> complex:
    """Amplitude and phase of the tone in the samples, by least squares beside a mean and a drift."""
    import numpy

    at = numpy.arange(len(samples)) * every_s
    turn = 2 * math.pi * hertz * at
    terms = numpy.column_stack([numpy.cos(turn), numpy.sin(turn), numpy.ones_like(at), at])
    (cosine, sine, _, _), *_ = numpy.linalg.lstsq(terms, numpy.asarray(samples, dtype=float), rcond=None)
    return complex(cosine, -sine)


def alternating(tones: Sequence[Tone], volts: Channel, amperes: Channel, setting: Setting) -> Resistance:
    """Ratio of the effective alternating voltage to the effective alternating current, at the tone.

    From several records the mean, its scatter as uncertainty of type A (GUM 4.2) beside the gains'. The sign:
    a battery's voltage falls as the current drawn rises. `ValueError` for fewer than two records.
    """
    if len(tones) < 2:
        raise ValueError("one record has no scatter: take two or more")
    ratios, peaks = [], []
    for tone in tones:
        u, i = phasor(tone.volts, tone.every_s, tone.hertz), phasor(tone.amperes, tone.every_s, tone.hertz)
        if abs(i) == 0:
            raise ValueError("no alternating current was seen: check that the swing runs")
        ratios.append(abs(u) / abs(i))
        peaks.append(abs(u))
    scatter = fmean(ratios) + unknown(stdev(ratios) / math.sqrt(len(ratios)), "scatter of the records")
    ohms = scatter * (1 + volts.gain) / (1 + amperes.gain)
    hertz, lasted, peak = tones[0].hertz, max(each.lasted_s for each in tones), max(peaks)
    return Resistance(
        "alternating",
        Measured.of(ohms, "Ohm"),
        (
            *circumstances(setting),
            Condition(
                f"{TONE_HZ:g} Hz ± {TONE_SLACK_HZ:g} Hz",
                f"{hertz:.1f} Hz",
                abs(hertz - TONE_HZ) <= TONE_SLACK_HZ,
            ),
            Condition("for 1 s to 5 s", f"{lasted:.2f} s", 1.0 <= lasted <= 5.0),
            Condition("a peak voltage below 20 mV", f"{1000 * peak:.1f} mV", peak < TONE_PEAK_VOLTS),
            Condition(
                "an alternating current",
                "a sine" if tones[0].sine else "a square wave over a direct one",
                tones[0].sine,
            ),
        ),
    )
