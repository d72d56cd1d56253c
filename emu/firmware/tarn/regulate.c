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

static int32_t wanted(void)
{
    int32_t guard = current_of(cool_ceiling());
    int32_t current = guard;
    int32_t error;
    if (regulates()) {
        switch (TARN_SINK_MODE) {
        case TARN_SINK_MODE_POWER:
            current = current_of(TARN_SINK_POWER);
            break;
        case TARN_SINK_MODE_RESISTANCE:
            current = readings.voltage * 1000 / TARN_SINK_RESISTANCE;
            break;
        default:
            error = readings.voltage - TARN_SINK_VOLTAGE;
            if (error >= -5 && error <= 5) {
                error = 0; /* less than the converters can tell */
            }
            current = wanted_tenths + error * 10; /* a volt of error moves the current by an ampere */
            break;
        }
    }
    return current < guard ? current : guard;
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
    int32_t target;
    int32_t x4;
    if (tarn_stage() == TARN_STAGE_OFF) {
        return;
    }
    target = wanted();
    if (target < 0) {
        target = 0;
    }
    if (target > most) {
        target = most;
    }
    wanted_tenths = (target - wanted_tenths) / 2 == 0 ? target : wanted_tenths + (target - wanted_tenths) / 2;
    x4 = quarters(wanted_tenths);
    /* Follow only what differs by three quarters of a step, or the code would never come to rest. */
    if (x4 - 4 * (int32_t)code > 3 || 4 * (int32_t)code - x4 > 3 || (wanted_tenths == most && target == most)) {
        drive(x4);
    }
}
