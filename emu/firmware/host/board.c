/* The board as a library for a program that plays the world around it: codes come in, levels go out. Time is
 * told to it, a millisecond at a time; within one, changes of the level carry their hundredth of it. */
#include "board.h"

#include "firmware.h"
#include "hardware.h"
#include "tarn_vow.h"

#include <string.h>

struct board board;

uint16_t hardware_code(uint8_t channel)
{
    return board.codes[channel];
}

uint16_t hardware_fan_speed(void)
{
    return board.fan_speed;
}

void hardware_level(bool on, uint16_t code)
{
    uint8_t last = board.levels;
    if (last > 0 && board.level[last - 1].step == board.step) {
        --last;
    }
    if (last < BOARD_LEVELS) {
        board.level[last].step = board.step;
        board.level[last].on = on;
        board.level[last].code = code;
        board.levels = (uint8_t)(last + 1U);
    }
}

void hardware_slew(uint16_t ampere_per_second)
{
    board.slew = ampere_per_second;
}

void hardware_relay(bool closed)
{
    board.relay = closed;
}

void hardware_sense(bool remote)
{
    board.sense = remote;
}

void hardware_fan(uint16_t permille)
{
    board.fan = permille;
}

void hardware_capture(void)
{
    board.capturing = 1;
}

uint16_t hardware_captured_code(uint8_t channel, uint8_t index)
{
    return board.captured[channel == CHANNEL_CURRENT ? 0 : 1][index];
}

uint8_t hardware_store_read(uint16_t place)
{
    return board.store[place];
}

void hardware_store_write(uint16_t place, uint8_t byte)
{
    if (board.writes_left == 0) {
        return; /* the supply has gone */
    }
    if (board.writes_left > 0) {
        --board.writes_left;
    }
    board.store[place] = byte;
}

void hardware_reset(void)
{
    board.resets = 1;
}

void board_start(uint8_t cause)
{
    board.levels = 0;
    board.step = 0;
    board.capturing = 0;
    board.resets = 0;
    board.first = board.last = 0;
    firmware_boot(cause);
}

void board_millisecond(void)
{
    firmware_millisecond();
    for (board.step = 1; board.step <= 10; ++board.step) {
        firmware_step();
    }
    board.step = 0;
}

void board_captured(void)
{
    firmware_captured();
}

void board_trigger(void)
{
    firmware_trigger();
}

/* What the host sends goes through a ring, as behind a receive interrupt. */
int32_t board_receive(const uint8_t *bytes, int32_t count)
{
    int32_t at;
    for (at = 0; at < count; ++at) {
        uint16_t next = (uint16_t)((board.first + 1U) % BOARD_RING);
        if (next == board.last) {
            break;
        }
        board.ring[board.first] = bytes[at];
        board.first = next;
    }
    return at;
}

/* What goes to the host, as long as the transmitter is free and there is room. */
int32_t board_send(uint8_t *out, int32_t room)
{
    int32_t length = 0;
    for (;;) {
        int16_t byte;
        while (board.last != board.first && tarn_receive(board.ring[board.last])) {
            board.last = (uint16_t)((board.last + 1U) % BOARD_RING);
        }
        if (length == room || board.resets != 0) {
            return length;
        }
        byte = tarn_take();
        if (byte < 0) {
            return length;
        }
        out[length] = (uint8_t)byte;
        ++length;
    }
}

void board_listen(void)
{
    while (board.last != board.first && tarn_receive(board.ring[board.last])) {
        board.last = (uint16_t)((board.last + 1U) % BOARD_RING);
    }
}

void board_panel_control(uint8_t who)
{
    tarn_panel_control(who);
}

void board_panel_put(uint8_t point, int32_t value)
{
    (void)tarn_panel_put(point, value);
}
