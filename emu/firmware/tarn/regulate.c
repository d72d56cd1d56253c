/* Modes `power`, `resistance` and `voltage` are sampled loops: each millisecond takes half of the error in
 * current away. In mode `current`, in a capacity run and in the swing the level is set at once; whatever the
 * mode, the power ceiling pulls it down. The level converter has 12 bits for 8.4 A. */
#include "regulate.h"

#include "cool.h"
#include "hardware.h"
#include "measure.h"
#include "swing.h"
#include "tarn_vow.h"

#define TENTHS_PER_AMPERE 10000L

static int32_t wanted_tenths; /* current, 0.1 mA */
static uint16_t code;

/* Current in 0.1 mA as quarter steps of the converter: 2.05 mA a step, trimmed. */
static int32_t quarters(int32_t tenths)
{
    int32_t trimmed = tenths + (tenths / 10) * (TARN_TRIM_LEVEL_GAIN - 100000) / 10000 + TARN_TRIM_LEVEL_SHIFT;
    return trimmed * 512 / 2625;
}

static void drive(int32_t x4)
{
    int32_t nearest = (x4 + 2) / 4;
    if (nearest < 0) {
        nearest = 0;
    }
    code = (uint16_t)(nearest > 4095 ? 4095 : nearest);
    hardware_level(true, code);
}

static bool regulates(void)
{
    return tarn_stage() == TARN_STAGE_HOLD && TARN_SINK_MODE != TARN_SINK_MODE_CURRENT;
}

/* The highest current that the settings allow, in mA. */
static int32_t cap(void)
{
    int32_t most = TARN_LIMIT_CURRENT;
    int32_t level = most;
    if (tarn_stage() == TARN_STAGE_SWING) {
        level = swing_level();
    } else if (!regulates()) {
        level = TARN_SINK_LEVEL;
    }
    return level < most ? level : most;
}

/* The current at which a power (10 mW) is drawn from the present voltage, in 0.1 mA. */
static int32_t current_of(int32_t power)
{
    int32_t millivolt = readings.voltage;
    int32_t milliampere;
    if (millivolt < 10) {
        return 100 * TENTHS_PER_AMPERE;
    }
    milliampere = power * 10000 / millivolt;
    if (milliampere > 20000) {
        return 20 * TENTHS_PER_AMPERE;
    }
    return milliampere * 10 + power * 10000 % millivolt * 10 / millivolt;
}

/* What the mode asks for, in 0.1 mA; `most` where it asks for nothing. */
static int32_t asked(int32_t most)
{
    int32_t error;
    if (!regulates()) {
        return most;
    }
    switch (TARN_SINK_MODE) {
    case TARN_SINK_MODE_POWER:
        return current_of(TARN_SINK_POWER);
    case TARN_SINK_MODE_RESISTANCE:
        return readings.voltage * 1000 / TARN_SINK_RESISTANCE;
    default:
        error = readings.voltage - TARN_SINK_VOLTAGE;
        if (error >= -5 && error <= 5) {
            error = 0; /* less than the converters can tell */
        }
        /* A quarter of an ampere for a volt, each time: at rest behind 2 Ohm even if a sample comes late. */
        return wanted_tenths + error * 5;
    }
}

/* That, between nothing and what the settings and the power ceiling allow. */
static int32_t target_of(int32_t most)
{
    int32_t target = asked(most);
    if (target > most) {
        target = most;
    }
    if (target < 0) {
        target = 0;
    }
    if (readings.voltage > 0 && readings.voltage * (target / 16) > cool_ceiling() * 6250) {
        target = current_of(cool_ceiling());
    }
    return target;
}

void regulate_again(void)
{
    int32_t most = cap() * 10;
    if (tarn_stage() == TARN_STAGE_OFF) {
        wanted_tenths = 0;
        code = 0;
        hardware_level(false, 0);
        return;
    }
    if (!regulates() || wanted_tenths > most) {
        wanted_tenths = most;
    }
    drive(quarters(wanted_tenths));
}

void regulate(void)
{
    int32_t most = cap() * 10;
    int32_t before = wanted_tenths;
    int32_t target;
    int32_t x4;
    if (tarn_stage() == TARN_STAGE_OFF) {
        return;
    }
    target = target_of(most);
    wanted_tenths = (target - before) / 2 == 0 ? target : before + (target - before) / 2;
    if (wanted_tenths == before) {
        return;
    }
    x4 = quarters(wanted_tenths);
    /* Follow only what differs by three quarters of a step, or the code would never come to rest. */
    if (x4 - 4 * (int32_t)code > 3 || 4 * (int32_t)code - x4 > 3 || wanted_tenths == most) {
        drive(x4);
    }
}
