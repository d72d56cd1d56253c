#include "measure.h"

#include "flash.h"
#include "hardware.h"
#include "tarn_vow.h"

struct readings readings;

enum { SLOW = 16 }; /* heat and the rail are looked at every 16 ms */
static uint8_t slow_due;

/* Temperature by the code of the divider, every 64 codes, in 0.1 Cel: a 10 kOhm thermistor with B = 3950 K
 * (IEC 60539-1) below a 10 kOhm resistor, 12 bits. A straight line between two entries is within 1 K from -40
 * to 125 Cel. */
enum { BETWEEN = 64 };
static const int16_t TEMPERATURES[65] IN_FLASH = {
    1500, 1500, 1293, 1127, 1016, 933, 866, 811, 763, 722, 685, 652, 621,
    593, 567, 543, 520, 498, 477, 458, 439, 421, 403, 386, 370, 354,
    338, 323, 308, 293, 278, 264, 250, 236, 222, 208, 194, 181, 167,
    153, 139, 125, 111, 97, 83, 68, 53, 37, 22, 5, -11, -29,
    -47, -66, -87, -108, -132, -157, -186, -218, -256, -302, -364, -460, -550
};

/* Divide and round to the nearest; the divisor is above zero. */
static int32_t nearest(int32_t value, int32_t divisor)
{
    return value >= 0 ? (value + divisor / 2) / divisor : -((divisor / 2 - value) / divisor);
}

/* The value in whole units, corrected by a gain in steps of 0.00001 and a shift in tenths. Divisions are slow on a
 * small chip, so an instrument that has not been trimmed does without. */
static int32_t trimmed(int32_t value, int32_t gain, int32_t shift)
{
    if (gain == 100000 && shift == 0) {
        return value;
    }
    return value + nearest(value * (gain - 100000) / 10000 + shift, 10);
}

int32_t measure_voltage(uint16_t code)
{
    /* 84 V over 65536 codes is 2625/2048 mV each */
    int32_t millivolt = (int32_t)(((uint32_t)code * 2625U + 1024U) >> 11) - 42000;
    return trimmed(millivolt, TARN_TRIM_VOLTAGE_GAIN, TARN_TRIM_VOLTAGE_SHIFT);
}

int32_t measure_current(uint16_t code)
{
    /* 25.6 A over 65536 codes is 25/64 mA each */
    int32_t milliampere = (int32_t)(((uint32_t)code * 25U + 32U) >> 6) - 12800;
    return trimmed(milliampere, TARN_TRIM_CURRENT_GAIN, TARN_TRIM_CURRENT_SHIFT);
}

static int32_t temperature_of(uint16_t code)
{
    uint16_t index = code / BETWEEN;
    int32_t from;
    int32_t to;
    if (index > 63U) {
        index = 63U;
    }
    from = FROM_FLASH_I16(&TEMPERATURES[index]);
    to = FROM_FLASH_I16(&TEMPERATURES[index + 1U]);
    return from + (to - from) * (int32_t)(code - index * BETWEEN) / BETWEEN;
}

static void measure_slow(void)
{
    uint16_t sensor = hardware_code(CHANNEL_SENSOR);
    readings.sensor = (int32_t)(((uint32_t)sensor * 5000U + 2048U) >> 12);
    readings.temperature = temperature_of(sensor);
    readings.rail = (int32_t)(((uint32_t)hardware_code(CHANNEL_RAIL) * 6000U + 512U) >> 10);
}

void measure(void)
{
    readings.terminal = measure_voltage(hardware_code(CHANNEL_TERMINAL));
    readings.drop = readings.terminal - measure_voltage(hardware_code(CHANNEL_SENSE));
    readings.voltage = readings.terminal;
    if (TARN_SENSE_MODE == TARN_SENSE_MODE_REMOTE) {
        readings.voltage -= readings.drop;
    }
    readings.current = measure_current(hardware_code(CHANNEL_CURRENT));
    readings.power = nearest(readings.voltage * readings.current, 10000);
    if (slow_due == 0) {
        measure_slow();
    }
    slow_due = (uint8_t)((slow_due + 1U) % SLOW);
}

void measure_begin(void)
{
    slow_due = 0;
    measure();
}
