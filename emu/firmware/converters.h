/* The measuring converters of a board in the simulated world: codes of any instant, out of closed forms.
 *
 * The same arithmetic, to the last bit, as `sample` of the simulated plant (emu/plant), which takes a hundred
 * times as long for it. */
#ifndef CONVERTERS_H
#define CONVERTERS_H

#include <stdbool.h>
#include <stdint.h>

/* Those with a converter, and beside them the fan's turns a minute. */
enum { WORLD_SENSE, WORLD_TERMINAL, WORLD_CURRENT, WORLD_SENSOR, WORLD_RAIL, WORLD_CHANNELS };
enum { WORLD_FAN = WORLD_CHANNELS };
enum { THERMISTOR_GOOD, THERMISTOR_OPEN, THERMISTOR_SHORTED, THERMISTOR_DRIVEN };

/* Gain, offset, bow (a parabola), noise (its root mean square, and the stream of its numbers), and the codes. */
struct converter {
    double low;
    double span;
    double step;
    double gain;
    double offset;
    double bow;
    double noise;
    double last;
    uint64_t stream;
};

/* A sum of p(t) exp(-r t), t in s since its start, as numbers one after the other: how many powers, their
 * coefficients by rising power; how many decays, for each its rate and factor; how many terms, for each its rate,
 * how many coefficients, and these. */
typedef const double *curve;

struct world {
    struct converter converter[WORLD_CHANNELS];
    double rail; /* V */
    double divider; /* Ohm, in series with the thermistor */
    double r25; /* Ohm */
    double b; /* K; 0: by the three coefficients instead */
    double three[3];
    /* From here on: as long as nothing happens in the world. */
    int64_t circuit_ns; /* when its curves began */
    int64_t heat_ns;
    int64_t fan_ns;
    double sign; /* -1 with the source reversed */
    curve terminal;
    curve current;
    curve source; /* where the sense leads go; none: a lead's drop away from the terminals */
    double lead; /* Ohm */
    int32_t sensed; /* 0 when a sense lead is off */
    curve bead; /* K above ambient */
    double ambient; /* Cel */
    int32_t thermistor;
    double driven; /* V, that drives its divider instead */
    double fan_from; /* 1/min, towards `fan_to` at `fan_rate` in 1/s */
    double fan_to;
    double fan_rate;
};

extern struct world world;

/* One channel at an instant, which is the sample's number too: with its converter's errors, in its unit; and its
 * code. The fan's speed has no errors. */
double world_value(uint32_t channel, int64_t when_ns);
uint32_t world_code(uint32_t channel, int64_t when_ns);

/* The codes at an instant, which is sample number `tick`; with `slow` those of heat, rail and fan too. */
void world_convert(int64_t when_ns, int64_t tick, bool slow, uint16_t *codes, uint16_t *fan_speed);

#endif
