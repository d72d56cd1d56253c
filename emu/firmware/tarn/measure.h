/* From converter codes to readings. */
#ifndef MEASURE_H
#define MEASURE_H

#include <stdint.h>

struct readings {
    int32_t voltage; /* mV, where it is sensed */
    int32_t terminal; /* mV */
    int32_t drop; /* mV, from the terminals to the sense leads */
    int32_t current; /* mA */
    int32_t power; /* 10 mW */
    int32_t sensor; /* mV at the thermistor's divider */
    int32_t temperature; /* 0.1 Cel */
    int32_t rail; /* mV */
};

extern struct readings readings;

/* All of them, then every millisecond. */
void measure_begin(void);
void measure(void);

/* Codes of the two fast channels as mV and mA, trimmed. */
int32_t measure_voltage(uint16_t code);
int32_t measure_current(uint16_t code);

#endif
