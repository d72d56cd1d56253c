/* The firmware of Sluice: some twenty commands in a syntax of its own.
 *
 * A line is a letter, and `?` to ask or `=` and a whole number or a number with one digit after the point to set. It
 * knows nothing of Wirevow. FAULT, if it is defined, breaks one thing on purpose, for tests. */

#include "sluice.h"

#ifndef FAULT
#define FAULT 0
#endif

enum { IDLE, PRIMED, RUNNING, FAULTED };
enum { LONGEST = 24, PRIMED_MS = 20000, SAMPLE_MS = 100, DRY_MS = 1000 };

struct kept kept;
uint16_t boots;
static char line[LONGEST + 1];
static uint8_t length, state, backward, rebooting, dry;
static uint16_t rate, ceiling, dose, soak;
static uint16_t up_ms, sample_ms, state_ms, dry_ms; /* they stop, or begin again, long before they are full */
static uint32_t up_s;
static int level, temperature;

static void say(const char *text)
{
    while (*text)
        board_send(*text++);
}

static void end(void)
{
    say("\r\n");
}

static void number(int32_t value)
{
    char digits[11];
    uint8_t count = 0;
    if (value < 0) {
        board_send('-');
        value = -value;
    }
    do
        digits[count++] = (char)('0' + value % 10);
    while (value /= 10);
    while (count)
        board_send(digits[--count]);
}

static void tenths(int32_t value)
{
    if (value < 0)
        board_send('-');
    value = value < 0 ? -value : value;
    number(value / 10);
    board_send('.');
    board_send((char)('0' + value % 10));
}

static void reply(const char *text)
{
    say(text);
    end();
}

static void enter(uint8_t to)
{
    state = to;
    state_ms = 0;
    dry_ms = 0;
    board_motor(state != RUNNING ? 0 : backward ? -(int)rate : rate);
}

static void defaults(void)
{
    rate = 100;
    ceiling = 300;
    dose = 100;
    soak = 1500;
    backward = 0;
}

static void recall(void)
{
    rate = 100;
    ceiling = 300;
    dose = 100;
    if (kept.valid == 0x51CE) {
        rate = kept.rate;
        ceiling = kept.ceiling;
        dose = kept.dose;
    }
}

static void sample(void)
{
    level = board_level();
    temperature = board_temperature();
}

void sluice_boot(void)
{
    ++boots;
    length = rebooting = 0;
    up_ms = sample_ms = 0;
    up_s = 0;
    defaults();
    recall();
    sample();
    enter(IDLE);
    reply("# sluice 1.3");
}

/* A number with `places` digits after the point at most, in its last place; -1 if it is none. */
static int32_t parsed(const char *text, uint8_t places)
{
    int32_t value = 0;
    uint8_t after = 0, pointed = 0, digits = 0;
    for (; *text; text++) {
        if (*text == '.' && places && !pointed) {
            pointed = 1;
            continue;
        }
        if (*text < '0' || *text > '9' || ++digits > 7 || (pointed && ++after > places))
            return -1;
        value = value * 10 + (*text - '0');
    }
    for (; after < places; after++)
        value *= 10;
    return digits ? value : -1;
}

/* Whether it was taken; what it answers where it was not is sent. */
static uint8_t put(uint16_t *setting, int32_t value, int32_t low, int32_t high)
{
    if (value < low || value > high) {
        reply("E1");
        return 0;
    }
    *setting = (uint16_t)value;
    if (state == RUNNING)
        board_motor(backward ? -(int)rate : rate);
    return 1;
}

static void flow(char letter, uint16_t value)
{
    board_send(letter);
    board_send('=');
    tenths(value);
    end();
}

static void asked(char letter)
{
    switch (letter) {
    case 'S': say("S="); number(state); end(); break;
    case 'U': say("U="); number((int32_t)up_s); end(); break;
    case 'N': say("N="); number(boots); end(); break;
    case 'L': say("L="); number(level); say("%"); end(); break;
    case 'V':
        say("V ");
        number(level);
        say(" ");
        tenths(temperature);
        say(" ");
        tenths(rate);
        end();
        break;
    case 'R': flow('R', rate); break;
    case 'C': flow('C', ceiling); break;
    case 'D': say("D="); number(dose); end(); break;
    case 'P': say("P="); number(soak); end(); break;
    case 'W': reply(backward ? "W=B" : "W=F"); break;
    default: reply("E3");
    }
}

static void told(char letter, const char *text)
{
    uint16_t ignored = rate;
    switch (letter) {
    case 'R':
        if (put(FAULT == 1 ? &ignored : &rate, parsed(text, 1), 5, FAULT == 2 ? 600 : ceiling))
            flow('R', FAULT == 1 ? ignored : rate);
        break;
    case 'C':
        if (put(&ceiling, parsed(text, 1), rate, 600))
            flow('C', ceiling);
        break;
    case 'D':
        if (put(&dose, parsed(text, 0), 1, FAULT == 3 ? 499 : 500))
            reply("OK");
        break;
    case 'P':
        put(&soak, parsed(text, 0), 0, 9999); /* nobody is told that it went well */
        break;
    case 'W':
        if ((*text != 'F' && *text != 'B') || text[1]) {
            reply("E3");
        } else if (state != IDLE && FAULT != 4) {
            reply("E2");
        } else {
            backward = *text == 'B';
            reply("OK");
        }
        break;
    default: reply("E3");
    }
}

static void keep(void)
{
    kept.rate = rate;
    kept.ceiling = ceiling;
    kept.dose = FAULT == 5 ? 100 : dose;
    kept.valid = 0x51CE;
}

static uint8_t cause_gone(void)
{
    return FAULT == 6 || (dry ? level > 20 : temperature <= 700);
}

static void done(char letter)
{
    static const struct {
        char letter;
        uint8_t from; /* a bit for each state */
    } deeds[] = {{'B', 3}, {'G', 2}, {'H', 15}, {'X', 8}, {'K', 1}, {'Q', 1}, {'Z', 1}, {'!', 9}};
    for (uint8_t index = 0; index < sizeof deeds / sizeof *deeds; index++) {
        if (deeds[index].letter != letter)
            continue;
        if (!(deeds[index].from & 1u << state)) {
            reply("E2");
            return;
        }
        switch (letter) {
        case 'B': enter(PRIMED); break;
        case 'G': enter(RUNNING); break;
        case 'H': if (state != FAULTED && !(FAULT == 7 && state == PRIMED)) enter(IDLE); break;
        case 'X':
            if (!cause_gone()) {
                reply("E4");
                return;
            }
            enter(IDLE);
            break;
        case 'K': keep(); break;
        case 'Q': recall(); break;
        case 'Z': defaults(); return; /* says nothing */
        case '!': rebooting = 1; break;
        }
        reply("OK");
        return;
    }
    reply("E3");
}

void sluice_byte(char byte)
{
    if (rebooting)
        return;
    if (byte != '\n') {
        if (byte != '\r' && length < LONGEST)
            line[length++] = byte;
        return;
    }
    line[length] = 0;
    if (length == 1)
        done(line[0]);
    else if (length == 2 && line[1] == '?')
        asked(line[0]);
    else if (length > 2 && line[1] == '=')
        told(line[0], line + 2);
    else if (length)
        reply("E3");
    length = 0;
    if (rebooting)
        board_reset();
}

void sluice_millisecond(void)
{
    if (++up_ms == (FAULT == 8 && up_s >= 5 ? 500 : 1000)) {
        up_ms = 0;
        if (up_s < 99999)
            up_s++;
    }
    if (++sample_ms == SAMPLE_MS) {
        sample_ms = 0;
        sample();
    }
    if (state == PRIMED && ++state_ms >= (FAULT == 9 ? PRIMED_MS + 2000 : PRIMED_MS))
        enter(IDLE);
    dry_ms = state == RUNNING && level < 10 ? dry_ms + 1 : 0;
    if (dry_ms >= (FAULT == 10 ? DRY_MS / 2 : DRY_MS)) {
        enter(FAULTED);
        dry = 1;
    }
    if ((state == RUNNING || state == PRIMED) && temperature > (FAULT == 11 ? 800 : 700)) {
        enter(FAULTED);
        dry = 0;
    }
}
