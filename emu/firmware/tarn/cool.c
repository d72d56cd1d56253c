#include "cool.h"

#include "hardware.h"
#include "measure.h"
#include "tarn_vow.h"

/* Levels of the fan: from this temperature on (0.1 Cel), this drive (thousandths); left downwards 4 K lower. */
static const int16_t LEVEL_AT[] = { 320, 450, 580, 700 };
static const uint16_t LEVEL_DUTY[] = { 0, 250, 500, 750, 1000 };
enum { LEVELS = 4, HYSTERESIS = 40, SECOND_MS = 1000 };

/* Full power up to 70 Cel, a quarter of it from 88 Cel on. */
enum { DERATE_START = 700, DERATE_END = 880 };

static uint8_t level;
static uint16_t since_ms;
static int32_t left; /* share of the ceiling, in 1/720 */
static uint16_t duty;
static int32_t ceiling;

void cool_again(void)
{
    duty = LEVEL_DUTY[level];
    if (TARN_FAN_MODE == TARN_FAN_MODE_MANUAL && TARN_FAN_MANUAL > duty) {
        duty = TARN_FAN_MANUAL;
    }
    ceiling = (int32_t)TARN_LIMIT_POWER * left / 720;
    hardware_fan(duty);
}

static void look(void)
{
    int32_t temperature = readings.temperature;
    while (level < LEVELS && temperature >= LEVEL_AT[level]) {
        ++level;
    }
    while (level > 0 && temperature < LEVEL_AT[level - 1] - HYSTERESIS) {
        --level;
    }
    if (temperature <= DERATE_START) {
        left = 720;
    } else if (temperature >= DERATE_END) {
        left = 180;
    } else {
        left = 720 - (temperature - DERATE_START) * 3;
    }
    cool_again();
}

void cool_begin(void)
{
    level = 0;
    since_ms = 0;
    left = 720;
    cool_again();
}

void cool(void)
{
    ++since_ms;
    if (since_ms >= SECOND_MS) {
        since_ms = 0;
        look();
    }
}

uint16_t cool_duty(void)
{
    return duty;
}

int32_t cool_ceiling(void)
{
    return ceiling;
}
