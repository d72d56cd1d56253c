/* A copy is a number, the data, and a check over both that begins with the document's digest: what another
 * document's firmware has left is no copy. */
#include "store.h"

#include "hardware.h"
#include "tarn_vow.h"

enum { OVERHEAD = 3 }; /* number, check */

static uint16_t add(uint16_t crc, uint8_t byte)
{
    uint8_t bit;
    crc = (uint16_t)(crc ^ (uint16_t)((uint16_t)byte << 8));
    for (bit = 0; bit < 8U; ++bit) {
        crc = (uint16_t)((crc & 0x8000U) != 0 ? (uint16_t)(crc << 1) ^ 0x1021U : (uint16_t)(crc << 1));
    }
    return crc;
}

static uint16_t start(void)
{
    const char *digest = TARN_DIGEST;
    uint16_t crc = 0xFFFFU;
    for (; *digest != '\0'; ++digest) {
        crc = add(crc, (uint8_t)*digest);
    }
    return crc;
}

/* Whether the copy at `place` is whole. */
static bool whole(uint16_t place, uint8_t bytes)
{
    uint16_t crc = start();
    uint8_t at;
    for (at = 0; at <= bytes; ++at) {
        crc = add(crc, hardware_store_read((uint16_t)(place + at)));
    }
    return hardware_store_read((uint16_t)(place + bytes + 1U)) == (uint8_t)(crc >> 8)
        && hardware_store_read((uint16_t)(place + bytes + 2U)) == (uint8_t)crc;
}

/* The place of the newest whole copy, or of none (`*found`). */
static uint16_t newest(uint16_t place, uint8_t bytes, bool *found)
{
    uint16_t other = (uint16_t)(place + bytes + OVERHEAD);
    bool first = whole(place, bytes);
    bool second = whole(other, bytes);
    *found = first || second;
    if (first && second) {
        /* The number goes round; the newer is the one a little ahead. */
        uint8_t ahead = (uint8_t)(hardware_store_read(other) - hardware_store_read(place));
        return ahead < 128U ? other : place;
    }
    return second ? other : place;
}

bool store_load(uint16_t place, void *data, uint8_t bytes)
{
    bool found;
    uint16_t from = newest(place, bytes, &found);
    uint8_t *to = (uint8_t *)data;
    uint8_t at;
    for (at = 0; at < bytes; ++at) {
        to[at] = hardware_store_read((uint16_t)(from + 1U + at));
    }
    return found;
}

static void put(uint16_t place, uint8_t byte)
{
    if (hardware_store_read(place) != byte) {
        hardware_store_write(place, byte);
    }
}

void store_save(uint16_t place, const void *data, uint8_t bytes)
{
    const uint8_t *from = (const uint8_t *)data;
    bool found;
    uint16_t present = newest(place, bytes, &found);
    uint8_t number = (uint8_t)(hardware_store_read(present) + 1U);
    uint16_t to = place;
    uint16_t crc = start();
    uint8_t at;
    if (found && present == place) {
        to = (uint16_t)(place + bytes + OVERHEAD);
    }
    crc = add(crc, number);
    put(to, number);
    for (at = 0; at < bytes; ++at) {
        crc = add(crc, from[at]);
        put((uint16_t)(to + 1U + at), from[at]);
    }
    put((uint16_t)(to + bytes + 1U), (uint8_t)(crc >> 8));
    put((uint16_t)(to + bytes + 2U), (uint8_t)crc);
}
