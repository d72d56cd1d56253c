/* What the firmware asks of the board it runs on. Everything above this line of files knows currents and volts,
 * nothing of pins and registers; everything below knows no more than what is written here. */
#ifndef HARDWARE_H
#define HARDWARE_H

#include <stdbool.h>
#include <stdint.h>

/* Converter channels. */
enum { CHANNEL_SENSE, CHANNEL_TERMINAL, CHANNEL_CURRENT, CHANNEL_SENSOR, CHANNEL_RAIL, CHANNELS };

/* The last code of a channel: 16 bits for -42 to 42 V and -12.8 to 12.8 A (code 32768 is zero), 12 bits for the
 * thermistor's divider over the rail's 5 V, 10 bits for the rail over 6 V. */
uint16_t hardware_code(uint8_t channel);

/* Turns of the fan a minute, from its tachometer. */
uint16_t hardware_fan_speed(void);

/* The level converter: 12 bits for 8.4 A. Off disconnects the stage's gates from it. */
void hardware_level(bool on, uint16_t code);

/* Fastest change of current, in A/s: the analog loop's own limit. */
void hardware_slew(uint16_t ampere_per_second);

void hardware_relay(bool closed);

/* Drive of the fan in thousandths. */
void hardware_fan(uint16_t permille);

/* Let the fast converter take 32 pairs of samples, 50 us apart, of current and of terminal voltage; the board
 * calls firmware_captured when they are complete. */
void hardware_capture(void);

/* Code number `index` of them. */
uint16_t hardware_captured_code(uint8_t channel, uint8_t index);

/* A store that keeps bytes without power. A write may take milliseconds. */
enum { HARDWARE_STORE_BYTES = 512 };
uint8_t hardware_store_read(uint16_t place);
void hardware_store_write(uint16_t place, uint8_t byte);

/* Boot, as a reset would. */
void hardware_reset(void);

#endif
