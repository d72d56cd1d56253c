/* The board as a library for a program that plays the world around it: codes come in, levels go out. Time is
 * told to it, a millisecond at a time; within one, changes of the level carry their hundredth of it.
 * VOW is the prefix of the generated core, and VOW_HEADER its header. */
#include "board.h"

#include "converters.h"
#include "firmware.h"
#include "hardware.h"
#include VOW_HEADER

#include <string.h>

#define JOINED(a, b) a##b
#define JOIN(a, b) JOINED(a, b)
#define CORE(name) JOIN(VOW, name)

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

static void convert(int64_t when_ns, int64_t tick, bool slow)
{
    world_convert(when_ns, tick, slow, board.codes, &board.fan_speed);
}

/* What has come, as far as the core takes it. */
void board_listen(void)
{
    while (board.last != board.first && CORE(_receive)(board.ring[board.last])) {
        board.last = (uint16_t)((board.last + 1U) % BOARD_RING);
    }
}

/* What goes to the host, as long as there is room: the transmitter is free. */
void board_send(void)
{
    for (;;) {
        int16_t byte;
        board_listen();
        if (board.length == BOARD_OUT || board.resets != 0) {
            return;
        }
        byte = CORE(_take)();
        if (byte < 0) {
            return;
        }
        board.out[board.length] = (uint8_t)byte;
        ++board.length;
    }
}

/* Boot at an instant, which is sample number `tick`. */
void board_start(uint8_t cause, int64_t when_ns, int64_t tick)
{
    board.levels = 0;
    board.step = 0;
    board.capturing = 0;
    board.resets = 0;
    board.first = board.last = 0;
    convert(when_ns, tick, true);
    firmware_boot(cause);
}

static void millisecond(void)
{
    firmware_millisecond();
    for (board.step = 1; board.step <= 10; ++board.step) {
        firmware_step();
    }
    board.step = 0;
}

/* Milliseconds number `tick` and after, `count` of them at most, until something is driven, or with `talk`
 * until something is said; how many they were. */
int32_t board_run(int64_t tick, int64_t period_ns, int32_t count, bool talk)
{
    uint8_t relay = board.relay;
    uint16_t fan = board.fan;
    uint16_t slew = board.slew;
    int32_t done = 0;
    while (done < count) {
        convert(tick * period_ns, tick, tick % BOARD_SLOW == 0);
        millisecond();
        ++tick;
        ++done;
        if (talk) {
            board_send();
        }
        if (board.levels > 0 || board.capturing != 0 || board.resets != 0 || board.length > 0
            || board.relay != relay || board.fan != fan || board.slew != slew) {
            break;
        }
    }
    return done;
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

void board_panel_control(uint8_t who)
{
    CORE(_panel_control)(who);
}

void board_panel_put(uint8_t point, int32_t value)
{
    (void)CORE(_panel_put)(point, value);
}

#ifdef COUNTED
/* What gcc has counted is added to its files (GCC manual, "Profiling and Test Coverage in Freestanding Environments"
 * and "gcov"). */
void __gcov_dump(void);
void __gcov_reset(void);

void board_count(void)
{
    __gcov_dump();
    __gcov_reset();
}
#endif
