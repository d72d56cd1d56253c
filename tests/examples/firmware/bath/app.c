/* Firmware of Mere, the water bath: what `wirevow generate firmware bath` begins with, and two things of its own. It
 * counts the energy by itself; and with -DMERE_ACCEPTS it refuses another temperature while the element is on, with
 * -DCORRECTS besides it holds whole degrees only. The document knows nothing of either, and a check finds them. */
#include "hardware.h"
#include "store.h"

static const struct store BOOTS = { STORE_BOOTS, STORE_BOOTS_ROOM };
static const struct store SETTINGS = { STORE_SETTINGS, STORE_SETTINGS_ROOM };
enum { ENTRY = 8 }; /* bytes: a mark and a value */

/* 0.1 W h are 360 J, and a watt is a thousandth of a joule in a millisecond. */
#define WATT_MS_OF_STEP 360000L
#define MOST_STEPS 999999L

static int32_t energy;      /* steps */
static int32_t energy_rest; /* W ms */

/* ------------------------------------------------------------------------------------------ for the core */

int32_t mere_app_read(uint8_t signal)
{
    return signal == MERE_SIGNAL_BATH_ENERGY ? energy : hardware_read(signal);
}
#ifdef MERE_ACCEPTS

uint8_t mere_app_accept(uint8_t point, int32_t *value)
{
#ifdef CORRECTS
    if (point == MERE_POINT_BATH_WANTED) {
        *value = *value / 10 * 10;
    }
#else
    (void)value;
    if (point == MERE_POINT_BATH_WANTED && mere_element() == MERE_ELEMENT_ON) {
        return MERE_REFUSE_STATE;
    }
#endif
    return MERE_ACCEPT;
}
#endif

void mere_app_changed(void)
{
}

void mere_app_entered(uint8_t state)
{
    (void)state;
    hardware_drive(OUTPUT_ELEMENT, mere_element());
}

void mere_app_pulse(uint8_t pulse)
{
    (void)pulse; /* there is one */
    energy = energy_rest = 0;
}

void mere_app_load(void)
{
    uint16_t place;
    uint16_t bytes = store_find(&SETTINGS, &place);
    uint8_t entry;
    for (entry = 0; entry < MERE_ENTRIES; ++entry) {
        uint32_t mark = mere_mark(entry);
        uint16_t at;
        for (at = 0; at + ENTRY <= bytes; at = (uint16_t)(at + ENTRY)) {
            if (store_read((uint16_t)(place + at)) == mark) {
                mere_restore(entry, (int32_t)store_read((uint16_t)(place + at + 4U)));
                break;
            }
        }
    }
}

void mere_app_save(void)
{
    uint8_t entry;
    store_begin(&SETTINGS, ENTRY * MERE_ENTRIES);
    for (entry = 0; entry < MERE_ENTRIES; ++entry) {
        store_put(mere_mark(entry));
        store_put((uint32_t)mere_kept(entry));
    }
    store_end();
}

uint16_t mere_app_count_boot(void)
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

/* -------------------------------------------------------------------------------------- for the hardware */

void firmware_boot(uint8_t cause)
{
    energy = energy_rest = 0;
    mere_boot(cause);
}

void firmware_millisecond(void)
{
    energy_rest += hardware_read(MERE_SIGNAL_BATH_POWER);
    if (energy_rest >= WATT_MS_OF_STEP && energy < MOST_STEPS) {
        energy_rest -= WATT_MS_OF_STEP;
        ++energy;
    }
    mere_tick(1);
}
