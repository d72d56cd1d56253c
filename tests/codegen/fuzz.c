/* A generated core under libFuzzer (with clang: -fsanitize=fuzzer). An input is what the core meets, in order: bytes
 * are bytes from the host; a 0 begins something else that happens, which the next byte tells (see `happen`).
 * Whatever comes, what must always hold is asserted. FUZZ_HEADER holds the document's own numbers.
 *
 * Built together with host.c, which is the application, and the core. */
#include FUZZ_HEADER
#include VOW_HEADER
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define JOIN2(a, b) a##b
#define JOIN(a, b) JOIN2(a, b)
#define CORE(name) JOIN(VOW, name)
#define UPPER(name) JOIN(FUZZ_UPPER, name)
#define COUNT(table) (sizeof(table) / sizeof((table)[0]))
#define MUST(truth) ((truth) ? (void)0 : broken(#truth, __LINE__))

extern int32_t host_readings[256];
extern uint8_t host_log[256];
extern uint8_t host_logged;
extern uint16_t host_boots;
extern uint16_t host_kept;

enum { SENT = UPPER(_LONGEST_REPLY), LINE = UPPER(_LONGEST_REQUEST) };

static uint8_t line[LINE + 1]; /* from the host, as far as it has come; one that is too long is cut off */
static size_t length;
static bool overlong;
static uint8_t sent[SENT + 1]; /* the line that the core is sending */
static size_t sending;
static uint32_t asked; /* replies that may come */
static bool stalled;   /* the transmitter takes nothing */
static bool ended;     /* the line has ended, and is perhaps not answered yet */
static bool quiet;     /* nothing but the line's bytes has happened since it began */
static uint8_t state;
static uint32_t ticket_ms; /* how long the ticket given last is good; 0: there is none */
static char ticket[5];
static struct CORE(_settings) before;
static uint8_t state_before;
static uint16_t boots_before;

static void broken(const char *what, int where)
{
    fprintf(stderr, "fuzz.c:%d: it must be that %s; state %u, line '%.*s', sent '%.*s'\n", where, what,
            (unsigned)state, (int)length, (const char *)line, (int)sending, (const char *)sent);
    abort();
}

static uint16_t check_of(const uint8_t *bytes, size_t count)
{
    uint16_t crc = 0xFFFF;
    size_t at;
    int bit;
    for (at = 0; at < count; ++at) {
        crc = (uint16_t)(crc ^ (bytes[at] << 8));
        for (bit = 0; bit < 8; ++bit) {
            crc = (uint16_t)((crc & 0x8000) != 0 ? crc << 1 ^ 0x1021 : crc << 1);
        }
    }
    return crc;
}

/* The word at a place of the line that is being sent; false when there is none. */
static bool word_at(size_t *at, const char *word)
{
    size_t count = strlen(word);
    if (*at + count > sending || memcmp(sent + *at, word, count) != 0 ||
        (*at + count < sending && sent[*at + count] != ' ')) {
        return false;
    }
    *at += count + 1;
    return true;
}

/* Whether the request asks the action for its ticket. */
static bool asks_for_ticket(void)
{
    size_t at = 0;
    size_t each;
    if (line[0] == '@') {
        while (at < length && line[at] != ' ') {
            ++at;
        }
        ++at;
    }
    for (each = 0; each < COUNT(FUZZ_GIVERS) - 1; ++each) {
        size_t count = strlen(FUZZ_GIVERS[each]);
        if (at + count <= length && memcmp(line + at, FUZZ_GIVERS[each], count) == 0) {
            return true;
        }
    }
    return false;
}

/* A whole line has been sent, without its LF. */
static void look_at_line(void)
{
    size_t at = 0;
    size_t each;
    for (each = 0; each < sending; ++each) {
        MUST(sent[each] >= 0x20 && sent[each] <= 0x7E);
        MUST(sent[each] != ' ' || (each > 0 && sent[each - 1] != ' ' && each + 1 < sending));
    }
    if (sending > 6 && sent[sending - 5] == '~') {
        char right[5];
        snprintf(right, sizeof right, "%04X", check_of(sent, sending - 6));
        MUST(memcmp(sent + sending - 4, right, 4) == 0);
        sending -= 6;
    }
    if (word_at(&at, "note")) {
        return;
    }
    MUST(asked > 0);
    --asked;
    if (sent[0] == '@') {
        while (at < sending && sent[at] != ' ') {
            ++at;
        }
        ++at;
        MUST(at <= 6);
        MUST(memcmp(sent, line, at) == 0);
    }
    if (word_at(&at, "refuse")) {
        /* A refused request changes nothing (wire.atomic). */
        MUST(!quiet || (memcmp(&before, &CORE(_settings), sizeof before) == 0 && state_before == state));
        return;
    }
    MUST(word_at(&at, "ok"));
    if (quiet && sending == at + 4 && asks_for_ticket() && memcmp(ticket, sent + at, 4) != 0) {
        memcpy(ticket, sent + at, 4);
        ticket_ms = FUZZ_TICKET_MS;
    }
}

static void look_at_log(void)
{
    size_t at;
    if (host_boots != boots_before) {
        boots_before = host_boots;
        ticket_ms = 0;
    }
    for (at = 0; at < host_logged; at += 2) {
        uint8_t to = host_log[at + 1];
        if (host_log[at] != 'e') {
            continue;
        }
        MUST(to < FUZZ_STATES);
        MUST(FUZZ_WAYS[state][to] != 0);
        if (FUZZ_WAYS[state][to] == BY_TICKET) {
            MUST(ticket_ms > 0);
            ticket_ms = 0;
        }
        state = to;
    }
    host_logged = 0;
    MUST(CORE(_state)() == state);
}

static void drain(void)
{
    int16_t byte;
    look_at_log();
    if (stalled) {
        return;
    }
    while ((byte = CORE(_take)()) >= 0) {
        look_at_log();
        MUST(byte <= 255);
        if (byte == '\n') {
            MUST(sending > 0);
            look_at_line();
            sending = 0;
            continue;
        }
        MUST(sending < SENT - 1);
        sent[sending++] = (uint8_t)byte;
    }
    look_at_log();
    MUST(sending == 0);
}

static void answered(void)
{
    asked = 0; /* one reply at most: a blank line and one left lying have none */
    length = 0;
    overlong = ended = false;
}

static void receive(uint8_t byte)
{
    if (!CORE(_receive)(byte)) {
        MUST(stalled && ended); /* a whole line waits for the transmitter only while it is stopped */
        return;
    }
    if (ended) {
        answered();
    }
    if (byte != '\n') {
        if (length == 0) {
            quiet = true;
        }
        overlong = overlong || length == LINE;
        if (!overlong) {
            line[length++] = byte;
        }
        return;
    }
    ended = true;
    asked = 1;
    before = CORE(_settings);
    state_before = state;
    quiet = quiet && !stalled && !overlong;
    if (!stalled) {
        drain();
        answered();
    }
}

static void type(const char *text)
{
    for (; *text != '\0'; ++text) {
        receive((uint8_t)*text);
    }
}

static void ticks(uint16_t elapsed_ms)
{
    ticket_ms = ticket_ms > elapsed_ms ? ticket_ms - elapsed_ms : 0;
    CORE(_tick)(elapsed_ms);
}

static void boots(uint8_t cause)
{
    length = sending = asked = 0;
    overlong = ended = stalled = false;
    ticket_ms = 0;
    look_at_log();
    CORE(_boot)(cause);
    state = FUZZ_INITIAL;
    host_logged = 0;
    drain();
}

/* Something happens other than a byte from the host. How many bytes told it. */
static size_t happen(const uint8_t *data, size_t size)
{
    uint8_t which = size > 1 ? data[1] : 0;
    int32_t value = size > 5 ? (int32_t)((uint32_t)data[2] | (uint32_t)data[3] << 8 | (uint32_t)data[4] << 16 |
                                         (uint32_t)data[5] << 24)
                             : 0;
    char text[16];
    quiet = quiet && (data[0] == 'k' || data[0] == 'x' || data[0] == '0');
    switch (data[0]) {
    case 't': /* time passes: milliseconds, low byte first */
        ticks((uint16_t)((size > 2 ? data[2] << 8 : 0) | which) % (FUZZ_MOST_TICK + 1));
        drain();
        return 3;
    case 'r': /* a reading changes: which, its value */
        if (FUZZ_SIGNALS > 0) {
            host_readings[which % (FUZZ_SIGNALS > 0 ? FUZZ_SIGNALS : 1)] = value;
        }
        return 6;
    case 'c': /* all readings are calm */
        memcpy(host_readings, FUZZ_CALM, sizeof FUZZ_CALM);
        return 1;
    case 'b': /* a boot, of that cause */
        boots(which % 5);
        return 2;
    case 's': /* the transmitter stops */
        stalled = true;
        return 1;
    case 'g': /* and goes on */
        stalled = false;
        drain();
        if (ended) {
            answered();
        }
        return 1;
    case 'k': /* the host repeats the ticket given last */
        type(ticket);
        return 1;
    case 'x': /* and adds the right check */
        snprintf(text, sizeof text, " ~%04X", check_of(line, length));
        type(text);
        return 1;
    case '0': /* a byte 0 after all */
        receive(0);
        return 1;
#if FUZZ_TRIPS > 0
    case 'f': /* a protection acts */
        CORE(_fire)(which % FUZZ_TRIPS);
        ticket_ms = 0;
        drain();
        return 2;
#endif
#if FUZZ_LOCAL
    case 'p': /* the front panel takes or gives up control */
        CORE(_panel_control)(which % 2);
        drain();
        return 2;
    case 'w': /* and changes a setting: which, its value */
        if (COUNT(FUZZ_LOCALS) > 1) {
            size_t at = which % (COUNT(FUZZ_LOCALS) - 1);
            int32_t least = FUZZ_LOCALS[at].low;
            int32_t range = FUZZ_LOCALS[at].high - least + 1;
            CORE(_panel_put)(FUZZ_LOCALS[at].name, FUZZ_LOCALS[at].choice ? least + (int32_t)((uint32_t)value % (uint32_t)range) : value);
        }
        drain();
        return 6;
#endif
#if FUZZ_CAPTURES >= 0
    case 'd': /* a capture is done */
        CORE(_captured)(FUZZ_CAPTURES);
        return 1;
#endif
    default:
        return 1;
    }
}

static void look_at_values(void)
{
    size_t each;
    for (each = 0; each < COUNT(FUZZ_VALUES) - 1; ++each) {
        int32_t value = CORE(_get)(FUZZ_VALUES[each].name);
        MUST(value >= FUZZ_VALUES[each].low && value <= FUZZ_VALUES[each].high);
    }
    FUZZ_OUTPUTS
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    size_t at = 0;
    memcpy(host_readings, FUZZ_CALM, sizeof FUZZ_CALM);
    host_boots = 0;
    host_kept = 0;
    host_logged = 0;
    memset(ticket, '0', 4);
    state = CORE(_state)();
    boots(0);
    while (at < size) {
        if (data[at] != 0) {
            receive(data[at]);
            drain();
            ++at;
        } else if (at + 1 < size) {
            at += 1 + happen(data + at + 1, size - at - 1);
        } else {
            ++at;
        }
    }
    look_at_values();
    return 0;
}
