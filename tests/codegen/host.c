/* The application's side of a generated core, as a library for Python: readings are set from outside, and what
 * the core does is written down. VOW is the core's prefix, VOW_UPPER that of its
 * constants; with VOW_SAVES it has a store, with VOW_ACCEPTS it is asked before a setting changes. */
#include VOW_HEADER
#include <string.h>

#define JOIN2(a, b) a##b
#define JOIN(a, b) JOIN2(a, b)
#define CORE(name) JOIN(VOW, name)
#define CORE_UPPER(name) JOIN(VOW_UPPER, name)

int32_t host_readings[256];
int32_t host_samples[8][256]; /* by point, modulo 8 is enough: a record has few series */
uint8_t host_log[256];
uint8_t host_logged;
uint16_t host_boots;
struct {
    uint32_t mark;
    int32_t value;
} host_store[256]; /* entries of this document or of another */
uint16_t host_kept; /* so many */
bool host_broken; /* a loss of power was simulated: the core asked for a boot */

static void note(uint8_t what, uint8_t which)
{
    if (host_logged < 254) {
        host_log[host_logged++] = what;
        host_log[host_logged++] = which;
    }
}

int32_t CORE(_app_read)(uint8_t signal)
{
    return host_readings[signal];
}

void CORE(_app_changed)(void)
{
}

#ifdef VOW_ACCEPTS
uint8_t host_verdict; /* to all that is put */
int32_t host_shift; /* a value is corrected by so much */

uint8_t CORE(_app_accept)(uint8_t point, int32_t *value)
{
    note('a', point);
    *value += host_shift;
    return host_verdict;
}
#endif

void CORE(_app_entered)(uint8_t state)
{
    note('e', state);
}

void CORE(_app_pulse)(uint8_t pulse)
{
    note('p', pulse);
}

void CORE(_app_capture)(uint8_t record)
{
    note('c', record);
}

int32_t CORE(_app_sample)(uint8_t record, uint8_t point, uint16_t index)
{
    (void)record;
    return host_samples[point % 8][index % 256];
}

#ifdef VOW_SAVES
void CORE(_app_load)(void)
{
    uint8_t entry;
    uint16_t at;
    for (entry = 0; entry < CORE_UPPER(_ENTRIES); ++entry) {
        for (at = 0; at < host_kept; ++at) {
            if (host_store[at].mark == CORE(_mark)(entry)) {
                CORE(_restore)(entry, host_store[at].value);
                break;
            }
        }
    }
}

void CORE(_app_save)(void)
{
    uint8_t entry;
    host_kept = CORE_UPPER(_ENTRIES);
    for (entry = 0; entry < host_kept; ++entry) {
        host_store[entry].mark = CORE(_mark)(entry);
        host_store[entry].value = CORE(_kept)(entry);
    }
}
#endif

uint16_t CORE(_app_count_boot)(void)
{
    if (host_boots < 65535) {
        ++host_boots;
    }
    return host_boots;
}

void CORE(_app_reboot)(void)
{
    CORE(_boot)(4); /* the cause `request` */
}

/* Drain what is to be sent; its length. */
int32_t host_drain(uint8_t *out, int32_t room)
{
    int32_t length = 0;
    int16_t byte = CORE(_take)();
    while (byte >= 0 && length < room) {
        out[length++] = (uint8_t)byte;
        byte = CORE(_take)();
    }
    return length;
}

/* Give the bytes one by one, sending what comes in between; the length of that. */
int32_t host_exchange(const uint8_t *bytes, int32_t count, uint8_t *out, int32_t room)
{
    int32_t length = 0;
    int32_t at;
    for (at = 0; at < count; ++at) {
        if (!CORE(_receive)(bytes[at])) {
            return -1;
        }
        length += host_drain(out + length, room - length);
    }
    return length;
}
