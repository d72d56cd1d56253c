/* The firmware of the demo instrument, as its board calls it. */
#ifndef FIRMWARE_H
#define FIRMWARE_H

#include <stdbool.h>
#include <stdint.h>

/* After a reset, with its cause (one of TARN_CAUSE_...). */
void firmware_boot(uint8_t cause);

/* Every 100 us: edges of the swing. */
void firmware_step(void);

/* Every millisecond, after the converters: measurement, regulation, protection, counters, fan. */
void firmware_millisecond(void);

/* A capture's samples are complete. */
void firmware_captured(void);

/* A pulse on the trigger input. */
void firmware_trigger(void);

#endif
