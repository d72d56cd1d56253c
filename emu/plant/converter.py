"""Converters: gain, offset, bow, quantisation, and noise that is a function of the sample's number."""

from __future__ import annotations

import math
from hashlib import blake2b

from wirevow.emu.plant.sections import Channel
from wirevow.emu.plant.sink_section import LevelConverter


class Converter:
    """A measuring converter: value -> code -> value, saturating at its ends.

    Mid-tread quantisation: code = round((value - low) / step), step = (high - low) / 2^bits. The bow is a
    parabola that is zero at both ends (end-point integral non-linearity, IEEE Std 1241).
    """

    __slots__ = (
        "bow",
        "gain",
        "high",
        "last",
        "low",
        "noise",
        "offset",
        "span",
        "step",
        "stream",
    )

    def __init__(self, channel: Channel, name: str, seed: int) -> None:
        self.low, self.high = channel.low, channel.high
        self.span = channel.high - channel.low
        self.step = self.span / 2**channel.bits if channel.bits is not None else 0.0
        self.last = 2**channel.bits - 1 if channel.bits is not None else 0
        self.gain = 1.0 + channel.gain_error
        self.offset = channel.offset
        self.bow = 4.0 * channel.bow * self.span
        self.noise = channel.noise_rms
        channel_id = int.from_bytes(blake2b(name.encode(), digest_size=8).digest(), "little")
        self.stream = (seed & 0xFFFFFFFFFFFFFFFF) ^ channel_id

    def convert(self, value: float, tick: int) -> float:
        """What the firmware sees of `value` in sample number `tick`."""
        x = value * self.gain + self.offset
        if self.bow:
            share = (x - self.low) / self.span
            x += self.bow * share * (1.0 - share)
        if self.noise:
            x += self.noise * standard_normal(self.stream, tick)
        if self.step:
            code = math.floor((x - self.low) / self.step + 0.5)
            return self.low + min(max(code, 0), self.last) * self.step
        return min(max(x, self.low), self.high)


_MASK = 0xFFFFFFFFFFFFFFFF


def standard_normal(stream: int, number: int) -> float:
    """A standard normal deviate that depends on `stream` and `number` only.

    Two rounds of the SplitMix64 finaliser (Steele, Lea and Flood, OOPSLA 2014; constants from memory) give
    the uniform bits, Box and Muller's transform (1958) the deviate.
    """
    z = (stream + number * 0x9E3779B97F4A7C15) & _MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    z ^= z >> 31
    w = ((z + 0x9E3779B97F4A7C15) ^ (z << 7)) & _MASK
    w = ((w ^ (w >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    w = ((w ^ (w >> 27)) * 0x94D049BB133111EB) & _MASK
    w ^= w >> 31
    radius = math.sqrt(-2.0 * math.log(((z >> 11) + 1) * 2.0**-53))
    return radius * math.cos(2.0 * math.pi * (w >> 11) * 2.0**-53)


class Level:
    """The level converter: wanted current -> code -> current, in A. Rounds to the nearest code."""

    __slots__ = ("bow", "full", "gain", "last", "offset", "step")

    def __init__(self, level: LevelConverter) -> None:
        self.full = level.full_scale_ampere
        self.step = self.full / 2**level.bits if level.bits is not None else 0.0
        self.last = self.step * (2**level.bits - 1) if level.bits is not None else self.full
        self.gain = 1.0 + level.gain_error
        self.offset = level.offset_ampere
        self.bow = 4.0 * level.bow * self.full

    def nearest(self, wanted: float) -> float:
        """The current that the nearest code stands for, before analog errors."""
        if self.step:
            wanted = math.floor(wanted / self.step + 0.5) * self.step
        return min(max(wanted, 0.0), self.last)

    def current(self, nominal: float) -> float:
        """The current that the stage is asked for at a code that stands for `nominal`."""
        x = nominal * self.gain + self.offset
        if self.bow:
            share = nominal / self.full
            x += self.bow * share * (1.0 - share)
        return max(x, 0.0)
