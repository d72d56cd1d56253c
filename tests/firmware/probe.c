/* What the parts of an ATmega328P at 16 MHz do: a line for each look, with its name, what was seen and what the data
 * sheet says (from memory; status codes are those of avr-libc's <util/twi.h>). Then transfers for the host:
 *
 *   x HEX...      bytes over the SPI with PB2 low; answers the bytes that came
 *   p A B C D     to TCCR0A, TCCR0B, OCR0A and OCR0B, with PD5 (OC0B) an output
 *   zZZZZZZ       twelve frames' time in which no byte is fetched; answers how many are there then, and DOR
 *   y A N HEX...  bytes to the TWI address A, then N bytes from it; answers these
 *
 * The board: ADC0 at 2.5 V and ADC1 at 0.4908 V of 5 V, a converter at TWI address 0x48, nobody at 0x49, PD7 low. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
#include <stdlib.h>
#include <util/twi.h>

enum { SELECT = PB2 };

static volatile uint8_t interrupts;

ISR(TWI_vect)
{
    ++interrupts;
    TWCR = _BV(TWEN); /* no more of them, TWINT stays */
}

ISR(SPI_STC_vect)
{
    ++interrupts;
}

ISR(ADC_vect)
{
    ++interrupts;
}

static void say(char byte)
{
    while ((UCSR0A & _BV(UDRE0)) == 0) {
    }
    UDR0 = (uint8_t)byte;
}

static void say_text(const char *text)
{
    while (*text != 0) {
        say(*text++);
    }
}

static void say_number(uint16_t number, uint8_t base, char end)
{
    char text[8];
    say_text(utoa(number, text, base));
    say(end);
}

static void told(const char *name, uint16_t seen, uint16_t expected)
{
    say_text("note ");
    say_text(name);
    say(' ');
    say_number(seen, 10, ' ');
    say_number(expected, 10, '\n');
}

/* Cycles: as expected, and at most 60 more for the looking. */
static void took(const char *name, uint16_t cycles, uint16_t expected)
{
    told(name, cycles >= expected && cycles < expected + 60U ? expected : cycles, expected);
}

static uint8_t twi(uint8_t control)
{
    TWCR = (uint8_t)(_BV(TWINT) | _BV(TWEN) | control);
    while ((TWCR & _BV(TWINT)) == 0) {
    }
    return TW_STATUS;
}

static uint8_t twi_byte(uint8_t byte)
{
    TWDR = byte;
    return twi(0);
}

static void twi_stop(void)
{
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
}

static void look_at_twi(void)
{
    uint16_t begun;
    uint8_t seen;
    TWBR = 72; /* 16 + 2 * 72 = 160 cycles a bit */
    TWSR = 0;
    told("twi.start", twi(_BV(TWSTA)), TW_START);
    TWDR = 0x48 << 1 | TW_WRITE;
    begun = TCNT1;
    TWCR = _BV(TWINT) | _BV(TWEN);
    seen = TWCR & _BV(TWINT);
    while ((TWCR & _BV(TWINT)) == 0) {
    }
    begun = TCNT1 - begun;
    told("twi.twint.clears", seen, 0);
    told("twi.sla_w.ack", TW_STATUS, TW_MT_SLA_ACK);
    took("twi.byte.cycles", begun, 9 * 160);
    told("twi.data.ack", twi_byte(0), TW_MT_DATA_ACK);
    told("twi.start.repeated", twi(_BV(TWSTA)), TW_REP_START);
    told("twi.sla_r.ack", twi_byte(0x48 << 1 | TW_READ), TW_MR_SLA_ACK);
    told("twi.read.ack", twi(_BV(TWEA)), TW_MR_DATA_ACK);
    told("twi.read.nack", twi(0), TW_MR_DATA_NACK);
    twi_stop();
    told("twi.stop.status", TW_STATUS, TW_NO_INFO);
    told("twi.stop.clears", TWCR & _BV(TWSTO), 0);
    TWSR = 1; /* 16 + 2 * 72 * 4 */
    (void)twi(_BV(TWSTA));
    told("twi.prescaler.kept", TWSR & 3, 1);
    begun = TCNT1;
    told("twi.sla_w.nack", twi_byte(0x49 << 1 | TW_WRITE), TW_MT_SLA_NACK);
    told("twi.data.nack", twi_byte(0), TW_MT_DATA_NACK);
    told("twi.start.again", twi(_BV(TWSTA)), TW_REP_START);
    told("twi.sla_r.nack", twi_byte(0x49 << 1 | TW_READ), TW_MR_SLA_NACK);
    twi_stop();
    TWSR = 0;
    interrupts = 0;
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTA) | _BV(TWIE);
    while (interrupts == 0) {
    }
    told("twi.interrupt", TW_STATUS, TW_START);
    TWDR = 0x48 << 1 | TW_WRITE;
    (void)twi(0);
    interrupts = 0;
    TWCR = _BV(TWEN) | _BV(TWIE); /* the flag is up already */
    begun = TCNT1;
    while (interrupts == 0 && TCNT1 - begun < 3000U) {
    }
    told("twi.interrupt.late", interrupts, 1);
    twi_stop();
}

static uint16_t converted(uint8_t mux)
{
    ADMUX = mux;
    ADCSRA |= _BV(ADSC);
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
    return ADC;
}

static void look_at_adc(void)
{
    uint16_t begun;
    uint16_t code;
    uint8_t low;
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1); /* 64 cycles */
    begun = TCNT1;
    (void)converted(_BV(REFS0));
    took("adc.first.cycles", TCNT1 - begun, 25 * 64);
    begun = TCNT1;
    code = converted(_BV(REFS0));
    took("adc.cycles", TCNT1 - begun, 13 * 64);
    told("adc.half", code, 512);
    told("adc.below.a.millivolt", converted(_BV(REFS0) | 1), 101);
    told("adc.unwired", converted(_BV(REFS0) | 2), 0);
    told("adc.bandgap", converted(_BV(REFS0) | 14), 225);
    told("adc.reference.internal", converted(_BV(REFS1) | _BV(REFS0) | 1), 457);
    told("adc.full", converted(_BV(REFS1) | _BV(REFS0)), 1023);
    ADMUX = _BV(REFS0);
    ADCSRA |= _BV(ADSC);
    ADMUX = _BV(REFS0) | 1; /* for the next one */
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
    told("adc.multiplexer", ADC, 512);
    told("adc.adif.raised", (ADCSRA & _BV(ADIF)) != 0, 1);
    ADCSRA |= _BV(ADIF);
    told("adc.adif.cleared", (ADCSRA & _BV(ADIF)) != 0, 0);
    ADMUX = _BV(REFS0) | _BV(ADLAR);
    ADCSRA |= _BV(ADSC);
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
    told("adc.left", ADCH, 128);
    (void)converted(_BV(REFS0));
    low = ADCL; /* locks both until ADCH is read */
    ADMUX = _BV(REFS0) | 1;
    ADCSRA |= _BV(ADSC);
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
    told("adc.locked", (uint16_t)(ADCH << 8 | low), 512);
    interrupts = 0;
    ADCSRB = 0;
    ADCSRA |= _BV(ADIF);
    ADCSRA |= _BV(ADATE) | _BV(ADSC) | _BV(ADIE);
    begun = TCNT1;
    while (TCNT1 - begun < 10U * 13U * 64U + 100U) {
    }
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1);
    told("adc.free.running", interrupts, 10);
}

static uint8_t transfer(uint8_t byte)
{
    SPDR = byte;
    while ((SPSR & _BV(SPIF)) == 0) {
    }
    return SPDR;
}

static void look_at_spi(void)
{
    uint16_t begun = TCNT1;
    (void)SPSR;
    interrupts = 0;
    SPCR |= _BV(SPIE);
    SPDR = 0;
    while (TCNT1 - begun < 4000U) {
    }
    SPCR &= (uint8_t)~_BV(SPIE);
    told("spi.interrupts", interrupts, 1);
}

/* A byte, and the wait until nothing is on its way any more. */
static void sent(char byte)
{
    while ((UCSR0A & _BV(UDRE0)) == 0) {
    }
    UCSR0A = _BV(TXC0) | _BV(U2X0);
    UDR0 = (uint8_t)byte;
    while ((UCSR0A & _BV(TXC0)) == 0) {
    }
}

static void look_at_the_rest(void)
{
    uint16_t begun;
    PORTD |= _BV(PD7);
    told("input.pulled.up", (PIND & _BV(PD7)) != 0, 0);
    PORTD &= (uint8_t)~_BV(PD7);
    sent('n');
    begun = TCNT1;
    sent('o');
    begun = TCNT1 - begun;
    say_text("te -\n");
    took("uart.frame.cycles", begun, 17 * 8 * 10);
}

static uint8_t hear(void)
{
    while ((UCSR0A & _BV(RXC0)) == 0) {
    }
    return UDR0;
}

/* The next number in hexadecimal; its end. */
static char hear_number(uint8_t *number)
{
    *number = 0;
    for (;;) {
        char byte = (char)hear();
        if (byte >= '0' && byte <= '9') {
            *number = (uint8_t)(*number << 4 | (byte - '0'));
        } else if (byte >= 'a' && byte <= 'f') {
            *number = (uint8_t)(*number << 4 | (byte - 'a' + 10));
        } else {
            return byte;
        }
    }
}

static uint8_t bytes[16];

static uint8_t hear_bytes(char end)
{
    uint8_t count = 0;
    while (end == ' ') {
        end = hear_number(&bytes[count++ & 15]);
    }
    return count;
}

static void say_bytes(uint8_t count)
{
    uint8_t at;
    for (at = 0; at < count; ++at) {
        say_number(bytes[at], 16, at + 1 < count ? ' ' : '\n');
    }
    if (count == 0) {
        say('\n');
    }
}

static void serve(void)
{
    uint8_t letter = hear();
    uint8_t count;
    uint8_t at;
    if (letter == 'x') {
        count = hear_bytes((char)hear());
        PORTB &= (uint8_t)~_BV(SELECT);
        for (at = 0; at < count; ++at) {
            bytes[at] = transfer(bytes[at]);
        }
        PORTB |= _BV(SELECT);
        say_bytes(count);
    } else if (letter == 'p') {
        count = hear_bytes((char)hear());
        DDRD |= _BV(PD5);
        TCCR0A = bytes[0];
        TCCR0B = bytes[1];
        OCR0A = bytes[2];
        OCR0B = bytes[3];
        say_bytes(count);
    } else if (letter == 'z') {
        uint16_t begun = TCNT1;
        uint8_t overrun;
        while (TCNT1 - begun < 12U * 1389U) {
        }
        overrun = (UCSR0A & _BV(DOR0)) != 0;
        for (count = 0; (UCSR0A & _BV(RXC0)) != 0; ++count) {
            (void)UDR0;
        }
        say_number(count, 16, ' ');
        say_number(overrun, 16, ' ');
        say_number((UCSR0A & _BV(DOR0)) != 0, 16, '\n');
    } else {
        uint8_t address;
        uint8_t wanted;
        (void)hear();
        (void)hear_number(&address);
        count = hear_bytes(hear_number(&wanted));
        (void)twi(_BV(TWSTA));
        (void)twi_byte((uint8_t)(address << 1 | TW_WRITE));
        for (at = 0; at < count; ++at) {
            (void)twi_byte(bytes[at]);
        }
        if (wanted != 0) {
            (void)twi(_BV(TWSTA));
            (void)twi_byte((uint8_t)(address << 1 | TW_READ));
        }
        for (at = 0; at < wanted; ++at) {
            (void)twi(at + 1 < wanted ? _BV(TWEA) : 0);
            bytes[at] = TWDR;
        }
        twi_stop();
        say_bytes(wanted);
    }
}

int main(void)
{
    DDRB = _BV(SELECT) | _BV(PB3) | _BV(PB5);
    PORTB = _BV(SELECT);
    SPCR = _BV(SPE) | _BV(MSTR);
    TCCR1B = _BV(CS10);
    UBRR0 = 16; /* before U2X, as some do */
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    sei();
    say_text("note boot\n");
    look_at_twi();
    look_at_adc();
    look_at_spi();
    look_at_the_rest();
    cli();
    TWBR = 12;
    say_text("note done 1 1\n");
    for (;;) {
        serve();
    }
}
