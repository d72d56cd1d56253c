/* The swing: the current steps between two levels, by timer or by trigger. */
#ifndef SWING_H
#define SWING_H

#include <stdbool.h>
#include <stdint.h>

/* Begin at the lower level, with nothing done. */
void swing_begin(void);

/* Every 100 us; true when the level has changed. */
bool swing_step(void);

/* A trigger; true when the level has changed. */
bool swing_trigger(void);

/* The present level in mA, and the upper levels finished. */
int32_t swing_level(void);
uint16_t swing_done(void);

#endif
