/* Everything that the world around the board sees of it, and it of the world. */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

enum { BOARD_LEVELS = 12, BOARD_RING = 512, BOARD_STORE = 512, BOARD_OUT = 8192, BOARD_SLOW = 16 };

struct level {
    uint8_t step; /* of 100 us, within the millisecond */
    uint8_t on;
    uint16_t code;
};

struct board {
    uint16_t codes[5];
    uint16_t fan_speed;
    uint16_t captured[2][32];
    uint8_t capturing; /* asked for */
    uint8_t relay;
    uint8_t resets; /* a reset has been asked for */
    uint16_t fan;
    uint16_t slew;
    uint8_t levels;
    uint8_t step;
    struct level level[BOARD_LEVELS];
    int32_t writes_left; /* writes to the store until the supply goes; below 0: it stays */
    uint8_t store[BOARD_STORE];
    uint16_t first;
    uint16_t last;
    uint8_t ring[BOARD_RING];
    int32_t length; /* of what goes to the host */
    uint8_t out[BOARD_OUT];
};

extern struct board board;

#endif
