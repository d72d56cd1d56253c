/* Sluice, a dosing pump: what the firmware offers to its board, and what it wants of it. */

#ifndef SLUICE_H
#define SLUICE_H

#include <stdint.h>

/* What outlives a loss of power, if the board stores it. */
extern struct kept {
    uint16_t rate, ceiling, dose; /* 0.1 mL/min, 0.1 mL/min, mL */
    uint16_t valid;
} kept;
extern uint16_t boots;

/* The board calls these. */
void sluice_boot(void);
void sluice_byte(char byte);
void sluice_millisecond(void);

/* The firmware calls these. */
void board_send(char byte);
int board_level(void);       /* of the tank, percent */
int board_temperature(void); /* of the motor, 0.1 Cel */
void board_motor(int speed); /* 0.1 mL/min, negative backwards */
void board_reset(void);      /* calls sluice_boot, now or soon */

#endif
