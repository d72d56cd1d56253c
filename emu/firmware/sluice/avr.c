/* Sluice's firmware on an ATmega328P at 8 MHz:
 *
 *   UART 0      the host, 9600 baud
 *   ADC0        the tank: 5 V when it is full
 *   ADC1        the motor: 1 V at 0 Cel, and 25 mV for each
 *   PB1 (OC1A)  the motor's drive;  PB0 high: backwards
 *
 * What it keeps is in the EEPROM: the boots at 0, the settings at 2. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "sluice.h"

enum { RING = 64, BOOTS = 0, KEPT = 2, FASTEST = 600 };

static volatile char ring[RING];
static volatile uint8_t first, passed; /* bytes, and milliseconds */
static uint8_t last, done, resetting;

ISR(USART_RX_vect)
{
    char byte = (char)UDR0;
    uint8_t next = (uint8_t)((first + 1U) % RING);
    if (next != last) {
        ring[first] = byte;
        first = next;
    }
}

ISR(TIMER0_COMPA_vect)
{
    ++passed;
}

static uint16_t converted(uint8_t input)
{
    ADMUX = (uint8_t)(_BV(REFS0) | input);
    ADCSRA |= _BV(ADSC);
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
    return ADC;
}

int board_level(void)
{
    return (int)((converted(0) * 100UL + 512) / 1024);
}

int board_temperature(void)
{
    return (int)((converted(1) * 10000L / 1024 - 2000) / 5);
}

void board_send(char byte)
{
    while ((UCSR0A & _BV(UDRE0)) == 0) {
    }
    UDR0 = (uint8_t)byte;
}

void board_motor(int speed)
{
    PORTB = (uint8_t)(speed < 0 ? _BV(PB0) : 0);
    OCR1A = (uint16_t)(speed < 0 ? -speed : speed);
}

void board_reset(void)
{
    resetting = 1;
}

static void boot(void)
{
    sluice_boot();
    eeprom_update_word((uint16_t *)BOOTS, boots);
}

int main(void)
{
    DDRB = _BV(PB0) | _BV(PB1);
    DDRD = _BV(PD1);
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1);
    UCSR0A = _BV(U2X0);
    UBRR0 = 103;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    OCR0A = 124; /* 1 ms */
    TCCR0A = _BV(WGM01);
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(OCIE0A);
    ICR1 = FASTEST;
    TCCR1A = _BV(COM1A1) | _BV(WGM11);
    TCCR1B = _BV(WGM13) | _BV(WGM12) | _BV(CS10);
    eeprom_read_block(&kept, (const void *)KEPT, sizeof kept);
    boots = eeprom_read_word((const uint16_t *)BOOTS) + 1U == 0 ? 0 : eeprom_read_word((const uint16_t *)BOOTS);
    boot();
    sei();
    for (;;) {
        while (done != passed) {
            ++done;
            sluice_millisecond();
        }
        while (last != first) {
            sluice_byte(ring[last]);
            last = (uint8_t)((last + 1U) % RING);
            eeprom_update_block(&kept, (void *)KEPT, sizeof kept);
        }
        if (resetting) {
            resetting = 0;
            boot();
        }
        /* Idle until an interrupt, unless one has brought something: after sei one more instruction is done first. */
        cli();
        if (done == passed && last == first) {
            sleep_enable();
            sei();
            sleep_cpu();
            sleep_disable();
        }
        sei();
    }
}
