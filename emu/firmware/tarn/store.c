/* An image is a number, how many bytes its entries are, the entries, and a check over all that (spec/wire.md, "The
 * store"), so what firmware of any version has left can be read. */
#include "store.h"

#include "hardware.h"

#include <stdbool.h>

enum { HEAD = 3, CHECK = 2 }; /* bytes before the entries, and after */

static uint16_t add(uint16_t crc, uint8_t byte)
{
    uint8_t bit;
    crc = (uint16_t)(crc ^ (uint16_t)((uint16_t)byte << 8));
    for (bit = 0; bit < 8U; ++bit) {
        crc = (uint16_t)((crc & 0x8000U) != 0 ? (uint16_t)(crc << 1) ^ 0x1021U : (uint16_t)(crc << 1));
    }
    return crc;
}

static uint16_t word(uint16_t place)
{
    uint16_t high = hardware_store_read((uint16_t)(place + 1U));
    return (uint16_t)((uint16_t)(high << 8) | hardware_store_read(place));
}

uint32_t store_read(uint16_t place)
{
    return ((uint32_t)word((uint16_t)(place + 2U)) << 16) | word(place);
}

/* Whether the image at `place` is whole. */
static bool whole(const struct store *store, uint16_t place)
{
    uint16_t left = word((uint16_t)(place + 1U));
    uint16_t crc = 0xFFFFU;
    if (left > store->room - (HEAD + CHECK)) {
        return false;
    }
    for (left = (uint16_t)(left + HEAD); left > 0; --left) {
        crc = add(crc, hardware_store_read(place));
        ++place;
    }
    return word(place) == crc;
}

/* The place of the newest whole image, or of none (`*found`). */
static uint16_t newest(const struct store *store, bool *found)
{
    uint16_t place = store->place;
    uint16_t other = (uint16_t)(place + store->room);
    bool first = whole(store, place);
    bool second = whole(store, other);
    *found = first || second;
    if (first && second) {
        /* The number goes round; the newer is the one a little ahead. */
        uint8_t ahead = (uint8_t)(hardware_store_read(other) - hardware_store_read(place));
        return ahead < 128U ? other : place;
    }
    return second ? other : place;
}

uint16_t store_find(const struct store *store, uint16_t *place)
{
    bool found;
    uint16_t from = newest(store, &found);
    *place = (uint16_t)(from + HEAD);
    return found ? word((uint16_t)(from + 1U)) : 0;
}

static uint16_t at;
static uint16_t check;

static void put(uint8_t byte)
{
    if (hardware_store_read(at) != byte) {
        hardware_store_write(at, byte);
    }
    check = add(check, byte);
    ++at;
}

static void put_word(uint16_t two)
{
    put((uint8_t)two);
    put((uint8_t)(two >> 8));
}

void store_begin(const struct store *store, uint16_t bytes)
{
    bool found;
    uint16_t present = newest(store, &found);
    at = store->place;
    if (found && present == at) {
        at = (uint16_t)(at + store->room);
    }
    check = 0xFFFFU;
    put((uint8_t)(hardware_store_read(present) + 1U));
    put_word(bytes);
}

void store_put(uint32_t four)
{
    put_word((uint16_t)four);
    put_word((uint16_t)(four >> 16));
}

void store_end(void)
{
    put_word(check);
}
