/* The core alone on an ATmega328P: lines in, lines out, nothing measured and nothing driven. For the benchmark of
 * its cost: PC0 is high from the last byte of a line until the first of its answer. */
#include <avr/io.h>

#include "tarn_vow.h"

int32_t tarn_app_read(uint8_t signal)
{
    return signal * 100;
}

void tarn_app_changed(void)
{
}

void tarn_app_entered(uint8_t state)
{
    (void)state;
}

void tarn_app_pulse(uint8_t pulse)
{
    (void)pulse;
}

void tarn_app_capture(uint8_t record)
{
    (void)record;
}

int32_t tarn_app_sample(uint8_t record, uint8_t point, uint16_t index)
{
    return record + point + index;
}

void tarn_app_load(void)
{
}

void tarn_app_save(void)
{
}

uint16_t tarn_app_count_boot(void)
{
    return 1;
}

void tarn_app_reboot(void)
{
}

int main(void)
{
    DDRC = 1;
    UCSR0A = _BV(U2X0);
    UBRR0 = 16;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    tarn_boot(TARN_CAUSE_POWER);
    for (;;) {
        if ((UCSR0A & _BV(RXC0)) != 0) {
            uint8_t byte = UDR0;
            if (byte == '\n') {
                PORTC = 1;
            }
            (void)tarn_receive(byte);
        }
        if ((UCSR0A & _BV(UDRE0)) != 0) {
            int16_t byte = tarn_take();
            if (byte >= 0) {
                UDR0 = (uint8_t)byte;
                PORTC = 0;
            }
        }
    }
}
