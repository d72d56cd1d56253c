#include "converters.h"

#include <math.h>
#include <stddef.h>

struct world world;

static double curve_at(curve c, double t)
{
    double value = 0.0;
    int count = (int)*c++;
    int at;
    for (at = count - 1; at >= 0; --at) {
        value = value * t + c[at];
    }
    c += count;
    for (count = (int)*c++; count > 0; --count, c += 2) {
        value += c[1] * exp(-c[0] * t);
    }
    for (count = (int)*c++; count > 0; --count) {
        double rate = *c++;
        double inner = 0.0;
        int inner_count = (int)*c++;
        for (at = inner_count - 1; at >= 0; --at) {
            inner = inner * t + c[at];
        }
        value += inner * exp(-rate * t);
        c += inner_count;
    }
    return value;
}

/* SplitMix64's finaliser twice, then Box and Muller: see `standard_normal` in emu/plant/converter.py. */
static double standard_normal(uint64_t stream, int64_t number)
{
    uint64_t z = stream + (uint64_t)number * 0x9E3779B97F4A7C15U;
    uint64_t w;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    z ^= z >> 31;
    w = (z + 0x9E3779B97F4A7C15U) ^ (z << 7);
    w = (w ^ (w >> 30)) * 0xBF58476D1CE4E5B9U;
    w = (w ^ (w >> 27)) * 0x94D049BB133111EBU;
    w ^= w >> 31;
    return sqrt(-2.0 * log((double)((z >> 11) + 1U) * 0x1p-53))
        * cos(2.0 * 3.141592653589793 * (double)(w >> 11) * 0x1p-53);
}

/* What a converter makes of a value before it rounds. */
static double with_errors(const struct converter *by, double value, int64_t tick)
{
    double x = value * by->gain + by->offset;
    if (by->bow != 0.0) {
        double share = (x - by->low) / by->span;
        x += by->bow * share * (1.0 - share);
    }
    if (by->noise != 0.0) {
        x += by->noise * standard_normal(by->stream, tick);
    }
    return x;
}

static double code_of(const struct converter *by, double value, int64_t tick)
{
    double code = floor((with_errors(by, value, tick) - by->low) / by->step + 0.5);
    return code < 0.0 ? 0.0 : code > by->last ? by->last : code;
}

static double seconds_since(int64_t begun_ns, int64_t when_ns)
{
    return (double)(when_ns - begun_ns) * 1e-9;
}

/* IEC 60539-1: the B-parameter form. Steinhart and Hart 1968, solved for ln R: Cardano's formula, hyperbolic. */
static double thermistor_ohm(double kelvin)
{
    double half_q;
    double third_p;
    double root;
    if (world.b != 0.0) {
        return world.r25 * exp(fmin(world.b * (1.0 / kelvin - 1.0 / 298.15), 500.0));
    }
    half_q = (world.three[0] - 1.0 / kelvin) / (2.0 * world.three[2]);
    third_p = world.three[1] / (3.0 * world.three[2]);
    root = sqrt(third_p);
    return exp(-2.0 * root * sinh(asinh(half_q / (root * third_p)) / 3.0));
}

static double divider_volt(int64_t when_ns)
{
    double kelvin;
    double ohm;
    if (world.thermistor == THERMISTOR_DRIVEN) {
        return world.driven;
    }
    if (world.thermistor != THERMISTOR_GOOD) {
        return world.thermistor == THERMISTOR_OPEN ? world.rail : 0.0;
    }
    kelvin = fmax(world.ambient + curve_at(world.bead, seconds_since(world.heat_ns, when_ns)) + 273.15, 1.0);
    ohm = thermistor_ohm(kelvin);
    return world.rail * ohm / (ohm + world.divider);
}

static double sense_volt(double t, double terminal, double current)
{
    if (!world.sensed) {
        return 0.0;
    }
    return world.source != NULL ? curve_at(world.source, t) : terminal + world.lead * current;
}

static double fan_speed_at(int64_t when_ns)
{
    double decay = exp(-world.fan_rate * seconds_since(world.fan_ns, when_ns));
    return world.fan_to + (world.fan_from - world.fan_to) * decay;
}

/* What is true at an instant, in the channel's unit. */
static double value_at(uint32_t channel, int64_t when_ns)
{
    double t = seconds_since(world.circuit_ns, when_ns);
    switch (channel) {
    case WORLD_SENSE:
        return world.sign * sense_volt(t, curve_at(world.terminal, t), curve_at(world.current, t));
    case WORLD_TERMINAL:
        return world.sign * curve_at(world.terminal, t);
    case WORLD_CURRENT:
        return world.sign * curve_at(world.current, t);
    case WORLD_SENSOR:
        return divider_volt(when_ns);
    case WORLD_RAIL:
        return world.rail;
    default:
        return fan_speed_at(when_ns);
    }
}

double world_value(uint32_t channel, int64_t when_ns)
{
    double value = value_at(channel, when_ns);
    return channel < WORLD_CHANNELS ? with_errors(&world.converter[channel], value, when_ns) : value;
}

uint32_t world_code(uint32_t channel, int64_t when_ns)
{
    double value = value_at(channel, when_ns);
    return (uint32_t)(channel < WORLD_CHANNELS ? code_of(&world.converter[channel], value, when_ns) : rint(value));
}

void world_convert(int64_t when_ns, int64_t tick, bool slow, uint16_t *codes, uint16_t *fan_speed)
{
    const struct converter *by = world.converter;
    double t = seconds_since(world.circuit_ns, when_ns);
    double terminal = curve_at(world.terminal, t);
    double current = curve_at(world.current, t);
    double sense = sense_volt(t, terminal, current);
    codes[WORLD_SENSE] = (uint16_t)code_of(&by[WORLD_SENSE], world.sign * sense, tick);
    codes[WORLD_TERMINAL] = (uint16_t)code_of(&by[WORLD_TERMINAL], world.sign * terminal, tick);
    codes[WORLD_CURRENT] = (uint16_t)code_of(&by[WORLD_CURRENT], world.sign * current, tick);
    if (slow) {
        codes[WORLD_SENSOR] = (uint16_t)code_of(&by[WORLD_SENSOR], divider_volt(when_ns), tick);
        codes[WORLD_RAIL] = (uint16_t)code_of(&by[WORLD_RAIL], world.rail, tick);
        *fan_speed = (uint16_t)rint(fan_speed_at(when_ns));
    }
}
