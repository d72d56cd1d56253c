/* Between the core, which keeps the vow, and the rest, which works the box. */
#include "firmware.h"

#include "cool.h"
#include "count.h"
#include "hardware.h"
#include "measure.h"
#include "regulate.h"
#include "store.h"
#include "swing.h"
#include "tarn_vow.h"

static const struct store BOOTS = { 0, 9 };
static const struct store SETTINGS = { 18, 240 };
enum { ENTRY = 8 }; /* bytes: a mark and a value */
enum { SERIES = 32 };

static int32_t series[2][SERIES]; /* current in mA, terminal voltage in mV */
static bool running;

/* ------------------------------------------------------------------------------------------ for the core */

int32_t tarn_app_read(uint8_t signal)
{
    switch (signal) {
    case TARN_SIGNAL_INPUT_VOLTAGE:
        return readings.voltage;
    case TARN_SIGNAL_INPUT_TERMINAL:
        return readings.terminal;
    case TARN_SIGNAL_INPUT_CURRENT:
        return readings.current;
    case TARN_SIGNAL_INPUT_POWER:
        return readings.power;
    case TARN_SIGNAL_SENSE_DROP:
        return readings.drop;
    case TARN_SIGNAL_SWING_DONE:
        return swing_done();
    case TARN_SIGNAL_CAPACITY_CHARGE:
        return counters.charge;
    case TARN_SIGNAL_CAPACITY_ENERGY:
        return counters.energy;
    case TARN_SIGNAL_CAPACITY_ELAPSED:
        return counters.elapsed;
    case TARN_SIGNAL_HEAT_SINK:
        return readings.temperature;
    case TARN_SIGNAL_HEAT_SENSOR:
        return readings.sensor;
    case TARN_SIGNAL_HEAT_CEILING:
        return cool_ceiling();
    case TARN_SIGNAL_FAN_DUTY:
        return cool_duty();
    case TARN_SIGNAL_FAN_SPEED:
        return hardware_fan_speed();
    default:
        return readings.rail;
    }
}

void tarn_app_changed(void)
{
    hardware_slew(TARN_SINK_SLEW);
    if (running) {
        cool_again();
        regulate_again();
    }
}

void tarn_app_entered(uint8_t state)
{
    (void)state;
    hardware_relay(tarn_relay() == TARN_RELAY_CLOSED);
    swing_begin();
    regulate_again();
}

void tarn_app_pulse(uint8_t pulse)
{
    if (pulse == TARN_PULSE_COUNTERS_ZERO) {
        count_zero();
    } else {
        firmware_trigger();
    }
}

void tarn_app_capture(uint8_t record)
{
    (void)record;
    hardware_capture();
}

int32_t tarn_app_sample(uint8_t record, uint8_t point, uint16_t index)
{
    (void)record;
    return series[point == TARN_POINT_INPUT_CURRENT ? 0 : 1][index % SERIES];
}

void tarn_app_load(void)
{
    uint16_t place;
    uint16_t bytes = store_find(&SETTINGS, &place);
    uint8_t entry;
    for (entry = 0; entry < TARN_ENTRIES; ++entry) {
        uint32_t mark = tarn_mark(entry);
        uint16_t at;
        for (at = 0; at + ENTRY <= bytes; at = (uint16_t)(at + ENTRY)) {
            if (store_read((uint16_t)(place + at)) == mark) {
                tarn_restore(entry, (int32_t)store_read((uint16_t)(place + at + 4U)));
                break;
            }
        }
    }
}

void tarn_app_save(void)
{
    uint8_t entry;
    store_begin(&SETTINGS, ENTRY * TARN_ENTRIES);
    for (entry = 0; entry < TARN_ENTRIES; ++entry) {
        store_put(tarn_mark(entry));
        store_put((uint32_t)tarn_kept(entry));
    }
    store_end();
}

uint16_t tarn_app_count_boot(void)
{
    uint16_t place;
    uint16_t boots = 0;
    if (store_find(&BOOTS, &place) != 0) {
        boots = (uint16_t)store_read(place);
    }
    if (boots < 65535U) {
        ++boots;
        store_begin(&BOOTS, 4);
        store_put(boots);
        store_end();
    }
    return boots;
}

void tarn_app_reboot(void)
{
    hardware_reset();
}

/* ----------------------------------------------------------------------------------------- for the board */

void firmware_captured(void)
{
    uint8_t index;
    for (index = 0; index < SERIES; ++index) {
        series[0][index] = measure_current(hardware_captured_code(CHANNEL_CURRENT, index));
        series[1][index] = measure_voltage(hardware_captured_code(CHANNEL_TERMINAL, index));
    }
    tarn_captured(TARN_RECORD_CAPTURE);
}

void firmware_boot(uint8_t cause)
{
    running = false;
    count_zero();
    swing_begin();
    tarn_boot(cause);
    measure_begin();
    cool_begin();
    running = true;
}

void firmware_step(void)
{
    if (tarn_stage() == TARN_STAGE_SWING && swing_step()) {
        regulate_again();
    }
}

void firmware_trigger(void)
{
    if (tarn_stage() == TARN_STAGE_SWING && swing_trigger()) {
        regulate_again();
    }
}

void firmware_millisecond(void)
{
    measure();
    if (tarn_stage() != TARN_STAGE_OFF) {
        count();
    }
    cool();
    tarn_tick(1);
    regulate();
}
