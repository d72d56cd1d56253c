/* The board with an ATmega328P at 16 MHz. Pins and chips:
 *
 *   UART 0       the host, 115200 baud
 *   SPI, PB2 low a converter with six channels: the command byte is the channel, two bytes of code follow
 *                (channel 5 is the fan's tachometer, in turns a minute)
 *   SPI, PB1 low the level converter: two bytes, 12 bits
 *   SPI, PB0 low the slew: two bytes, A/s
 *   PC0 relay, PC2 stage on, PC3 a capture runs
 *   PD4          high: the host's side of the link takes nothing just now (its CTS)
 *   PD6 (OC0A)   drive of the fan
 *   PD7          trigger input
 *   PD2, PD3     keys of the front panel, low while pressed: it takes and gives up control
 *   PC4, PC5     its encoder, for the level: contacts that are low while closed, four edges a step
 *
 * Timer 1 counts 100 us. What takes longer than a few cycles is done in the main loop; the interrupts only
 * note the time and keep received bytes. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "firmware.h"
#include "hardware.h"
#include "tarn_vow.h"

enum { RING = 256, GOING = 32, SAMPLES = 32, TACHOMETER = 5 };
/* After so many milliseconds measure.c looks at the channels from CHANNEL_SENSOR on again, first at boot. */
enum { SLOW = 16 };
enum { CONVERTER = PB2, LEVEL = PB1, SLEW = PB0 };
enum { RELAY = PC0, STAGE = PC2, CAPTURING = PC3, STALLED = PD4, TRIGGER = PD7 };
enum { LOCAL_KEY = PD2, REMOTE_KEY = PD3, ENCODER_A = PC4, ENCODER_B = PC5, EDGES = 4 };
#define REQUESTED 0x5AU

static volatile uint8_t ring[RING];
static volatile uint8_t first;
static uint8_t last;
static volatile uint8_t going[GOING]; /* on its way to the transmitter */
static volatile uint8_t sent;
static volatile uint8_t put;
static volatile uint8_t steps; /* of 100 us that have passed and are not worked off */

static uint16_t codes[TACHOMETER + 1];
static uint16_t captured[2][SAMPLES];
static uint8_t wants_capture;
static uint8_t done;           /* steps done, of those that the timer has counted */
static uint8_t in_millisecond; /* of them, not yet in a millisecond */
static uint8_t trigger;        /* the line's level at the last step */
#if TARN_PANEL
static volatile uint8_t edges; /* of the encoder so far: upwards less downwards */
static uint8_t followed;       /* of them, what has been made steps of */
#endif

/* Survives a reset by the watchdog, which keeps memory. */
static uint8_t asked __attribute__((section(".noinit")));
static uint8_t mcusr __attribute__((section(".noinit")));

void before_main(void) __attribute__((naked, used, section(".init3")));

void before_main(void)
{
    mcusr = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0;
    uint8_t next = (uint8_t)(first + 1U);
    if (next != last) {
        ring[first] = byte;
        first = next;
    }
}

ISR(USART_UDRE_vect)
{
    if (sent == put) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    } else {
        UDR0 = going[sent];
        sent = (uint8_t)((sent + 1U) % GOING);
    }
}

ISR(TIMER1_COMPA_vect)
{
#if TARN_PANEL
    /* Of the two contacts A is the first to close on the way up: 0, 1, 2 and 3 edges from where both are open. A
     * contact that bounces goes back and forth. A capture's samples come first: they are not kept waiting for it. */
    uint8_t pins = PINC;
    if ((pins & _BV(CAPTURING)) != 0) {
        ++steps;
        return;
    }
    uint8_t on = (pins & _BV(ENCODER_B)) != 0 ? 0 : 3;
    if ((pins & _BV(ENCODER_A)) == 0) {
        on ^= 1;
    }
    on = (uint8_t)((on - edges) & 3);
    if (on == 1) {
        ++edges;
    } else if (on == 3) {
        --edges;
    }
#endif
    ++steps;
}

static uint8_t transfer(uint8_t byte)
{
    SPDR = byte;
    while ((SPSR & _BV(SPIF)) == 0) {
    }
    return SPDR;
}

static uint16_t read_channel(uint8_t channel)
{
    uint16_t code;
    PORTB &= (uint8_t)~_BV(CONVERTER);
    (void)transfer(channel);
    code = (uint16_t)((uint16_t)transfer(0) << 8);
    code |= transfer(0);
    PORTB |= _BV(CONVERTER);
    return code;
}

static void write_chip(uint8_t select, uint16_t value)
{
    PORTB = (uint8_t)(PORTB & ~_BV(select));
    (void)transfer((uint8_t)(value >> 8));
    (void)transfer((uint8_t)value);
    PORTB = (uint8_t)(PORTB | _BV(select));
}

static void set_pin(uint8_t pin, bool high)
{
    if (high) {
        PORTC = (uint8_t)(PORTC | _BV(pin));
    } else {
        PORTC = (uint8_t)(PORTC & ~_BV(pin));
    }
}

uint16_t hardware_code(uint8_t channel)
{
    return codes[channel];
}

uint16_t hardware_fan_speed(void)
{
    return codes[TACHOMETER];
}

void hardware_level(bool on, uint16_t code)
{
    write_chip(LEVEL, code);
    set_pin(STAGE, on);
}

void hardware_slew(uint16_t ampere_per_second)
{
    write_chip(SLEW, ampere_per_second);
}

void hardware_relay(bool closed)
{
    set_pin(RELAY, closed);
}

void hardware_fan(uint16_t permille)
{
    OCR0A = (uint8_t)((uint32_t)permille * 255UL / 1000UL);
}

void hardware_capture(void)
{
    wants_capture = 1;
}

uint16_t hardware_captured_code(uint8_t channel, uint8_t index)
{
    return captured[channel == CHANNEL_CURRENT ? 0 : 1][index];
}

uint8_t hardware_store_read(uint16_t place)
{
    return eeprom_read_byte((const uint8_t *)place);
}

void hardware_store_write(uint16_t place, uint8_t byte)
{
    eeprom_write_byte((uint8_t *)place, byte);
}

void hardware_reset(void)
{
    asked = REQUESTED;
    wdt_enable(WDTO_15MS);
    for (;;) {
    }
}

static uint8_t boot_cause(void)
{
    uint8_t cause = TARN_CAUSE_POWER;
    if ((mcusr & _BV(PORF)) != 0) {
        cause = TARN_CAUSE_POWER;
    } else if ((mcusr & _BV(WDRF)) != 0) {
        cause = asked == REQUESTED ? TARN_CAUSE_REQUEST : TARN_CAUSE_WATCHDOG;
    } else if ((mcusr & _BV(BORF)) != 0) {
        cause = TARN_CAUSE_BROWNOUT;
    } else {
        cause = TARN_CAUSE_RESET;
    }
    asked = 0;
    return cause;
}

/* The next step of 100 us, if one is due: what an alternation and the trigger's line wait for. */
static bool step(void)
{
    uint8_t level = 0;
    if (done == steps) {
        return false;
    }
    ++done;
    ++in_millisecond;
    level = (uint8_t)(PIND & _BV(TRIGGER));
    if (level != 0 && trigger == 0) {
        firmware_trigger();
    }
    trigger = level;
    firmware_step();
    return true;
}

#if TARN_PANEL
/* Whether a hand does something. A key does the same again as long as it is pressed, so bouncing does no harm. */
static bool look_at_panel(void)
{
    uint8_t open = PIND;
    int8_t left = (int8_t)(edges - followed);
    if ((open & _BV(LOCAL_KEY)) == 0) {
        tarn_panel_control(TARN_CONTROL_LOCAL);
    } else if ((open & _BV(REMOTE_KEY)) == 0) {
        tarn_panel_control(TARN_CONTROL_REMOTE);
    }
    if (left >= EDGES || left <= -EDGES) {
        int8_t way = left > 0 ? 1 : -1;
        followed = (uint8_t)(followed + way * EDGES);
        (void)tarn_panel_put(TARN_POINT_SINK_LEVEL, tarn_get(TARN_POINT_SINK_LEVEL) + way);
        return true;
    }
    return (open & (_BV(LOCAL_KEY) | _BV(REMOTE_KEY))) != (_BV(LOCAL_KEY) | _BV(REMOTE_KEY));
}
#endif

/* 32 pairs, 50 us apart, by timer 1: half of its period. An alternation goes on meanwhile; all else waits for
 * 1.6 ms. */
static void capture(void)
{
    uint8_t index;
    uint16_t due;
    set_pin(CAPTURING, true);
    due = TCNT1;
    for (index = 0; index < SAMPLES; ++index) {
        captured[0][index] = read_channel(CHANNEL_CURRENT);
        captured[1][index] = read_channel(CHANNEL_TERMINAL);
        due = (uint16_t)(due + 800U);
        if (due >= 1600U) {
            due = (uint16_t)(due - 1600U);
        }
        while ((uint16_t)(TCNT1 + 1600U - due) % 1600U >= 800U) {
            (void)step();
        }
    }
    set_pin(CAPTURING, false);
    firmware_captured();
}

/* Whether there is more to say than could go just now. */
static bool serve_host(void)
{
    while (last != first && tarn_receive(ring[last])) {
        ++last;
    }
    for (;;) {
        uint8_t next = (uint8_t)((put + 1U) % GOING);
        int16_t byte;
        if (next == sent || (PIND & _BV(STALLED)) != 0) {
            return true;
        }
        byte = tarn_take();
        if (byte < 0) {
            return false;
        }
        going[put] = (uint8_t)byte;
        put = next;
        UCSR0B |= _BV(UDRIE0);
    }
}

/* Idle until an interrupt, unless one has brought something since the last look: after sei, one more instruction
 * is done before any (data sheet of the core), so none is slept through. */
static void rest(void)
{
    cli();
    if (done == steps && last == first && wants_capture == 0) {
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

int main(void)
{
    uint8_t slow = SLOW; /* milliseconds until the slow channels are converted */
    bool more = true; /* to say, perhaps */
    uint8_t channel;

    DDRB = _BV(PB0) | _BV(PB1) | _BV(PB2) | _BV(PB3) | _BV(PB5);
    PORTB = _BV(PB0) | _BV(PB1) | _BV(PB2);
    DDRC = _BV(RELAY) | _BV(STAGE) | _BV(CAPTURING);
    PORTC = _BV(ENCODER_A) | _BV(ENCODER_B); /* pulled up */
    DDRD = _BV(PD1) | _BV(PD6);
    PORTD = _BV(LOCAL_KEY) | _BV(REMOTE_KEY);
    SPCR = _BV(SPE) | _BV(MSTR);
    SPSR = _BV(SPI2X);
    UCSR0A = _BV(U2X0);
    UBRR0 = 16;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    TCCR0A = _BV(COM0A1) | _BV(WGM00) | _BV(WGM01);
    TCCR0B = _BV(CS01) | _BV(CS00); /* 976 Hz */
    OCR1A = 1599;
    TCCR1B = _BV(WGM12) | _BV(CS10);
    TIMSK1 = _BV(OCIE1A);
    for (channel = 0; channel <= TACHOMETER; ++channel) {
        codes[channel] = read_channel(channel);
    }
    firmware_boot(boot_cause());
    sei();
    for (;;) {
        while (step()) {
#if TARN_PANEL
            if (look_at_panel()) {
                more = true;
            }
#endif
            if (in_millisecond >= 10) {
                uint8_t end = CHANNEL_SENSOR;
                in_millisecond = (uint8_t)(in_millisecond - 10);
                --slow;
                if (slow == 0) {
                    slow = SLOW;
                    end = TACHOMETER + 1;
                }
                for (channel = 0; channel < end; ++channel) {
                    codes[channel] = read_channel(channel);
                }
                firmware_millisecond();
                more = true;
            }
        }
        if (wants_capture != 0) {
            wants_capture = 0;
            capture();
        }
        if (more || last != first) {
            more = serve_host();
        }
        rest();
    }
}
