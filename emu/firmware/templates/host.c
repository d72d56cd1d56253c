/* The hardware of firmware as a program of a computer. Whoever runs it (Wirevow, with the physics of the document)
 * speaks lines with it over its standard input and output: spec/rig.md, "Firmware as a program". Its argument is the
 * file that is its store. VOW is the prefix of the core, VOW_UPPER that of its constants. */
#include "hardware.h"

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define JOINED(a, b) a##b
#define JOIN(a, b) JOINED(a, b)
#define CORE(name) JOIN(VOW, name)
#define CORE_UPPER(name) JOIN(VOW_UPPER, name)

enum { READINGS = 256, OUTPUTS = 256, RING = 512, LINE = 8192, ANSWER = 65536, LONGEST_EVENT = 64 };

static int32_t readings[READINGS];
static int16_t levels[OUTPUTS]; /* that are driven; below 0: none yet */
static uint8_t ring[RING];      /* what has come and the core has not taken */
static uint16_t first;
static uint16_t next;
static bool stalled; /* the host takes nothing */
static bool resetting;
static char answer[ANSWER];
static size_t length;
static uint8_t store[HARDWARE_STORE_BYTES];
static const char *store_name;

static void die(const char *why)
{
    fprintf(stderr, "firmware: %s\n", why);
    exit(2);
}

static void tell(const char *event, long one, long other)
{
    if (length + LONGEST_EVENT > ANSWER) {
        die("too much has happened at once");
    }
    length += (size_t)sprintf(answer + length, " %s %ld %ld", event, one, other);
}

/* ------------------------------------------------------------------------------------- for the firmware */

int32_t hardware_read(uint8_t signal)
{
    return readings[signal];
}

void hardware_drive(uint8_t output, uint8_t level)
{
    if (levels[output] != level) {
        levels[output] = level;
        tell("drive", output, level);
    }
}

void hardware_put(uint8_t point, int32_t value)
{
    tell("put", point, value);
}

void hardware_pulse(uint8_t pulse)
{
    tell("pulse", pulse, 0);
}

uint8_t hardware_store_read(uint16_t place)
{
    return place < HARDWARE_STORE_BYTES ? store[place] : 0xFF;
}

void hardware_store_write(uint16_t place, uint8_t byte)
{
    FILE *file;
    if (place >= HARDWARE_STORE_BYTES) {
        die("a write beyond the end of the store");
    }
    store[place] = byte;
    if (store_name == NULL) {
        return;
    }
    file = fopen(store_name, "r+b");
    if (file == NULL || fseek(file, place, SEEK_SET) != 0 || fputc(byte, file) == EOF || fclose(file) != 0) {
        die("the file of the store cannot be written");
    }
}

void hardware_reset(void)
{
    resetting = true;
}

/* -------------------------------------------------------------------------------------------- the link */

static void serve(void)
{
    bool said = false;
    for (;;) {
        int16_t byte;
        while (first != next && CORE(_receive)(ring[first])) {
            first = (uint16_t)((first + 1U) % RING);
        }
        if (stalled || resetting) {
            return;
        }
        byte = CORE(_take)();
        if (byte < 0) {
            return;
        }
        if (length + LONGEST_EVENT > ANSWER) {
            die("it says too much at once");
        }
        length += (size_t)sprintf(answer + length, said ? "%02x" : " say %02x", (unsigned int)byte);
        said = true;
    }
}

static int digit(char c)
{
    return c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

static void hear(const char *hex)
{
    while (hex != NULL && digit(hex[0]) >= 0 && digit(hex[1]) >= 0) {
        uint16_t after = (uint16_t)((next + 1U) % RING);
        if (after != first) { /* else it is lost, as on a chip */
            ring[next] = (uint8_t)(digit(hex[0]) * 16 + digit(hex[1]));
            next = after;
        }
        hex += 2;
    }
    serve();
}

/* So many of the next words are readings, in the order of the core's constants. */
static void take_readings(int count)
{
    int at;
    for (at = 0; at < count && at < READINGS; ++at) {
        const char *word = strtok(NULL, " ");
        if (word == NULL) {
            return; /* those before stay */
        }
        readings[at] = (int32_t)strtol(word, NULL, 10);
    }
}

static long next_number(void)
{
    const char *word = strtok(NULL, " ");
    return word == NULL ? 0 : strtol(word, NULL, 10);
}

/* So many milliseconds, or until something is driven or said, with other readings every so often; how many they
 * were. */
static long run(long most)
{
    long period = next_number();
    int count = (int)next_number();
    long done = 0;
    while (done < most && length == 0 && !resetting) {
        if (period > 0 && done % period == 0) {
            take_readings(count);
        }
        firmware_millisecond();
        serve();
        ++done;
    }
    return done;
}

static void load_store(void)
{
    FILE *file;
    memset(store, 0xFF, sizeof store);
    if (store_name == NULL) {
        return;
    }
    file = fopen(store_name, "rb");
    if (file != NULL) {
        size_t ignored = fread(store, 1, sizeof store, file);
        (void)ignored;
        fclose(file);
    }
    file = fopen(store_name, "wb"); /* with all its bytes from now on */
    if (file == NULL || fwrite(store, 1, sizeof store, file) != sizeof store || fclose(file) != 0) {
        die("the file of the store cannot be written");
    }
}

int main(int argc, char **argv)
{
    static char line[LINE];
    int output;
    store_name = argc > 1 ? argv[1] : NULL;
    load_store();
    for (output = 0; output < OUTPUTS; ++output) {
        levels[output] = -1;
    }
    while (fgets(line, sizeof line, stdin) != NULL) {
        const char *what;
        const char *how;
        long done = 0;
        line[strcspn(line, "\n")] = '\0';
        length = 0;
        what = strtok(line, " ");
        how = strtok(NULL, " ");
        if (what == NULL) {
            continue;
        }
        if (strcmp(what, "hello") == 0) {
            printf("firmware 1 %s %s %d %d\n", CORE_UPPER(_NAME), CORE_UPPER(_DIGEST), STORE_SETTINGS,
                   STORE_SETTINGS_ROOM);
            fflush(stdout);
            continue;
        }
        if (how == NULL) {
            die("it was asked in a way that it does not know: use a Wirevow of the version that wrote core/host.c");
        }
        if (strcmp(what, "run") == 0) {
            done = run(strtol(how, NULL, 10));
        } else if (strcmp(what, "hear") == 0) {
            take_readings(READINGS);
            hear(how);
        } else if (strcmp(what, "boot") == 0) {
            take_readings(READINGS);
            firmware_boot((uint8_t)strtol(how, NULL, 10));
            serve();
        } else if (strcmp(what, "stall") == 0) {
            stalled = how[0] == '1';
            serve();
#if CORE_UPPER(_PANEL)
        } else if (strcmp(what, "control") == 0) {
            CORE(_panel_control)((uint8_t)strtol(how, NULL, 10));
            serve();
        } else if (strcmp(what, "turn") == 0) {
            (void)CORE(_panel_put)((uint8_t)strtol(how, NULL, 10), (int32_t)next_number());
            serve();
        } else if (strcmp(what, "step") == 0) {
            uint8_t point = (uint8_t)strtol(how, NULL, 10);
            (void)CORE(_panel_put)(point, CORE(_get)(point) + (int32_t)next_number());
            serve();
#endif
        } else {
            die("it was asked in a way that it does not know: use a Wirevow of the version that wrote core/host.c");
        }
        printf("%ld%.*s%s\n", done, (int)length, answer, resetting ? " reset 0 0" : "");
        fflush(stdout);
    }
    return 0;
}
