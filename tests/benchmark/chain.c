/* What the generated core is compared with: the request line of an instrument as it is often written by hand, a
 * chain of string comparisons for the names. It knows the same names and units and splits the same lines, but has
 * no checks, limits, states, choices, records, refusals or exactly-once. CHAIN_NAMES has one line for each name:
 *
 *     else if (strcmp_P(name, PSTR("fan.duty")) == 0) { *unit = PSTR(" %"); return 11; }
 *
 * PC0 is high from the last byte of a line until the first of its answer, as in the core's line server. */
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdlib.h>
#include <string.h>

enum { NONE = 255, LINE = 98, REPLY = 40 };

static int32_t values[NONE];
static char line[LINE];
static uint8_t length;
static char reply[REPLY];
static uint8_t sent;

static uint8_t find(const char *name, PGM_P *unit)
{
    if (0) {
    }
#include CHAIN_NAMES
    return NONE;
}

static void answer(void)
{
    PGM_P unit = PSTR("");
    char *word = strtok(line, " ");
    char *verb;
    char *name;
    char *value;
    uint8_t index;
    reply[0] = '\0';
    if (word != NULL && word[0] == '@') {
        strcpy(reply, word);
        strcat_P(reply, PSTR(" "));
        word = strtok(NULL, " ");
    }
    verb = word;
    name = strtok(NULL, " ");
    value = strtok(NULL, " ");
    index = name == NULL ? NONE : find(name, &unit);
    if (index == NONE) {
        strcat_P(reply, PSTR("unknown"));
    } else if (strcmp_P(verb, PSTR("ask")) == 0) {
        strcat_P(reply, PSTR("ok "));
        ltoa(values[index], reply + strlen(reply), 10);
        strcat_P(reply, unit);
    } else if (strcmp_P(verb, PSTR("put")) == 0 && value != NULL) {
        values[index] = atol(value);
        strcat_P(reply, PSTR("ok "));
        ltoa(values[index], reply + strlen(reply), 10);
        strcat_P(reply, unit);
    } else if (strcmp_P(verb, PSTR("act")) == 0) {
        strcat_P(reply, PSTR("ok"));
    } else {
        strcat_P(reply, PSTR("error"));
    }
    strcat_P(reply, PSTR("\n"));
    sent = 0;
}

int main(void)
{
    DDRC = 1;
    UCSR0A = _BV(U2X0);
    UBRR0 = 16;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    for (;;) {
        if ((UCSR0A & _BV(RXC0)) != 0) {
            char byte = (char)UDR0;
            if (byte == '\n') {
                PORTC = 1;
                line[length] = '\0';
                length = 0;
                answer();
            } else if (length < LINE - 1) {
                line[length++] = byte;
            }
        }
        if ((UCSR0A & _BV(UDRE0)) != 0 && reply[sent] != '\0') {
            UDR0 = (uint8_t)reply[sent++];
            PORTC = 0;
        }
    }
}
