#include "count.h"

#include "measure.h"

struct counters counters;

static int32_t charge_rest; /* mA ms */
static int32_t energy_rest; /* 10 uJ */
static uint8_t elapsed_rest; /* ms */

/* Carry whole steps over from what has been gathered. */
static void carry(int32_t *rest, int32_t step, int32_t *counter)
{
    while (*rest >= step) {
        *rest -= step;
        ++*counter;
    }
    while (*rest < 0 && *counter > 0) {
        *rest += step;
        --*counter;
    }
}

void count_zero(void)
{
    counters.charge = counters.energy = counters.elapsed = 0;
    charge_rest = energy_rest = 0;
    elapsed_rest = 0;
}

void count(void)
{
    charge_rest += readings.current;
    carry(&charge_rest, 360000L, &counters.charge); /* 0.0001 A.h is 0.36 A s */
    energy_rest += readings.power;
    carry(&energy_rest, 360000L, &counters.energy); /* 0.001 W.h is 3.6 J */
    ++elapsed_rest;
    if (elapsed_rest == 100U) {
        elapsed_rest = 0;
        ++counters.elapsed;
    }
}
