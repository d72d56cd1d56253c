/* Two copies of everything that outlives a loss of power: whatever is interrupted, one of them is whole. */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>
#include <stdint.h>

/* The whole copy with the highest number among two at `place`; false when there is none. */
bool store_load(uint16_t place, void *data, uint8_t bytes);

/* Write the other copy. Only bytes that differ are written: a byte takes milliseconds and wears out. */
void store_save(uint16_t place, const void *data, uint8_t bytes);

#endif
