/* A small firmware for the board of spec/bench/own-board.yaml, written from that and the data sheet of the
 * ATmega644P alone. A line is a letter and a number:
 *
 *   m    the codes: current, terminals, sense leads, divider, rail, fan's turns a minute
 *   l N  level        w N  slew         r N  relay closed
 *   s N  stage on     f N  fan, 0..999  t    triggers seen, and whether the host's side is stalled */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
#include <stdlib.h>
#include <util/twi.h>

enum { SELECT = PB0, RELAY = PC6, STAGE = PD7, FAN = PD5, TRIGGER = PA6, STALLED = PA7 };

static uint16_t triggers;

static void say(char byte)
{
    while ((UCSR1A & _BV(UDRE1)) == 0) {
    }
    UDR1 = (uint8_t)byte;
}

static void say_text(const char *text)
{
    while (*text != 0) {
        say(*text++);
    }
}

static void say_number(int32_t number, char end)
{
    char text[12];
    say_text(ltoa(number, text, 10));
    say(end);
}

static uint8_t twi(uint8_t control)
{
    TWCR = (uint8_t)(_BV(TWINT) | _BV(TWEN) | control);
    while ((TWCR & _BV(TWINT)) == 0) {
    }
    return TW_STATUS;
}

/* A command byte, a repeated start, and two bytes back; 0x7FFF when a status is not as it should be. */
static uint16_t from_twi(uint8_t address, uint8_t command)
{
    uint16_t code = 0x7FFF;
    uint8_t good = twi(_BV(TWSTA)) == TW_START;
    TWDR = (uint8_t)(address << 1 | TW_WRITE);
    good &= twi(0) == TW_MT_SLA_ACK;
    TWDR = command;
    good &= twi(0) == TW_MT_DATA_ACK;
    good &= twi(_BV(TWSTA)) == TW_REP_START;
    TWDR = (uint8_t)(address << 1 | TW_READ);
    good &= twi(0) == TW_MR_SLA_ACK;
    good &= twi(_BV(TWEA)) == TW_MR_DATA_ACK;
    if (good) {
        code = (uint16_t)(TWDR << 8);
        if (twi(0) == TW_MR_DATA_NACK) {
            code |= TWDR;
        }
    }
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    return code;
}

static uint16_t from_adc(uint8_t input)
{
    ADMUX = (uint8_t)(_BV(REFS0) | input);
    ADCSRA |= _BV(ADSC);
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
    return ADC;
}

static void to_spi(uint16_t word)
{
    PORTB &= (uint8_t)~_BV(SELECT);
    SPDR = (uint8_t)(word >> 8);
    while ((SPSR & _BV(SPIF)) == 0) {
    }
    SPDR = (uint8_t)word;
    while ((SPSR & _BV(SPIF)) == 0) {
    }
    PORTB |= _BV(SELECT);
}

static void obey(char letter, uint16_t number)
{
    switch (letter) {
    case 'm':
        say_number((int16_t)from_twi(0x48, 0 << 4 | 0x0C), ' ');
        say_number((int16_t)from_twi(0x48, 4 << 4 | 0x0C), ' ');
        say_number((int16_t)from_twi(0x48, 1 << 4 | 0x0C), ' ');
        say_number(from_adc(3), ' ');
        say_number(from_adc(5), ' ');
        say_number(from_twi(0x2F, 0x3E), '\n');
        return;
    case 'l':
        to_spi(number & 0x0FFF);
        break;
    case 'w':
        to_spi((uint16_t)(0x8000 | number << 2));
        break;
    case 'r':
        PORTC = (uint8_t)(number != 0 ? PORTC & ~_BV(RELAY) : PORTC | _BV(RELAY));
        break;
    case 's':
        PORTD = (uint8_t)(number == 0 ? PORTD & ~_BV(STAGE) : PORTD | _BV(STAGE));
        break;
    case 'f':
        OCR1A = number;
        break;
    case 't':
        say_number(triggers, ' ');
        say_number((PINA & _BV(STALLED)) == 0, '\n');
        return;
    default:
        say('?');
    }
    say('\n');
}

int main(void)
{
    char letter = 0;
    uint16_t number = 0;
    uint8_t idle = _BV(TRIGGER);

    PORTB = _BV(SELECT);
    DDRB = _BV(SELECT) | _BV(PB4) | _BV(PB5) | _BV(PB7);
    PORTC = _BV(RELAY);
    DDRC = _BV(RELAY);
    DDRD = _BV(STAGE) | _BV(FAN) | _BV(PD3);
    PORTA = _BV(TRIGGER) | _BV(STALLED); /* pulled up */
    SPCR = _BV(SPE) | _BV(MSTR);
    TWBR = 32; /* 100 kHz at 8 MHz */
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1);
    ICR1 = 999;
    TCCR1A = _BV(COM1A1) | _BV(WGM11);
    TCCR1B = _BV(WGM13) | _BV(WGM12) | _BV(CS10);
    UBRR1 = 12; /* 38462 baud at 8 MHz */
    UCSR1B = _BV(RXEN1) | _BV(TXEN1);
    say_text("note 1 boot power\n");
    for (;;) {
        uint8_t now = PINA & _BV(TRIGGER);
        PORTA = _BV(TRIGGER) | _BV(STALLED);
        triggers = (uint16_t)(triggers + (idle != 0 && now == 0));
        idle = now;
        if ((UCSR1A & _BV(RXC1)) != 0) {
            char byte = (char)UDR1;
            if (byte == '\n') {
                obey(letter, number);
                letter = 0;
                number = 0;
            } else if (letter == 0) {
                letter = byte;
            } else if (byte >= '0' && byte <= '9') {
                number = (uint16_t)(10 * number + (uint16_t)(byte - '0'));
            }
        }
    }
}
