/* An ATmega328P of the library libsimavr (GPL-3: this file is compiled on the user's machine and shipped as
 * source) with the chips of board.c on its SPI, as a library for a program that plays the world around it. A
 * channel is converted when the firmware reads it; what the firmware drives stops the run, so that the world
 * changes in that cycle.
 *
 * What is mended of the library, without changing it: an SPI transfer takes 100 us there whatever its clock,
 * here it is done at once; its receiver holds 63 bytes, here bytes come at the wire's rate, one frame of 10 bits
 * at 115200 baud each, and the firmware has to fetch them; it counts 11 bits for a frame, here it is told of 10;
 * its sleep keeps real time, here it returns at once. */
#include "converters.h"

#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { FREQUENCY = 16000000, FRAME = 1389, IN_RING = 65536, OUT_ROOM = 65536, MOST_AT_ONCE = 100000, TACHOMETER = WORLD_CHANNELS };
enum { PORTB_DATA = 0x25, PORTC_DATA = 0x28, SPDR_DATA = 0x4E, OCR0A_DATA = 0x47, MCUSR_DATA = 0x54 };
enum { SELECT_CONVERTER = 4, SELECT_LEVEL = 2, SELECT_SLEW = 1 };

/* What the board drives. */
struct outputs {
    uint16_t code; /* of the level converter */
    uint16_t slew; /* A/s */
    uint8_t portc; /* relay, stage, capture */
    uint8_t fan;
};

struct rig {
    struct outputs outputs;
    int64_t now_ns;
    int64_t base_ns; /* an instant and its cycle, from which the others are counted */
    uint64_t base_cycle;
    double cycle_ns; /* by the chip's own clock */
    uint64_t heard_cycle; /* when the last byte was given to the receiver */
    uint32_t resets; /* of any kind */
    uint32_t in_first;
    uint32_t in_last;
    uint32_t out_length;
    uint8_t out[OUT_ROOM];
    uint64_t out_cycle[OUT_ROOM];
    uint8_t in[IN_RING];
};

static avr_t *avr;
static uint8_t spi_at;
static uint16_t spi_code;
static uint8_t spi_select;
static uint16_t spi_word;
static avr_irq_t *spi_input;
static avr_irq_t *uart_input;
static avr_uart_t *uart;

static bool stopped;
static bool feeding;
static bool frozen;
static uint64_t frozen_cycle;
static avr_cycle_timer_slot_p aside; /* timers that stand still */

struct rig rig;

static int64_t instant(uint64_t cycle)
{
    return frozen ? rig.now_ns : rig.base_ns + (int64_t)((double)(cycle - rig.base_cycle) * rig.cycle_ns);
}

/* End the run after this instruction: the world may have to change. */
static void stop(void)
{
    stopped = true;
    avr->run_cycle_count = 1;
}

static bool keeps_time(const void *module)
{
    const avr_io_t *io;
    for (io = avr->io_port; io != NULL; io = io->next) {
        if (io == module) {
            return strcmp(io->kind, "timer") == 0 || strcmp(io->kind, "watchdog") == 0;
        }
    }
    return false;
}

/* From now on the chip works without time passing for it: its timers and its watchdog stand still. */
void rig_freeze(void)
{
    avr_cycle_timer_slot_p *link = &avr->cycle_timers.timer;
    frozen = true;
    frozen_cycle = avr->cycle;
    while (*link != NULL) {
        avr_cycle_timer_slot_p slot = *link;
        if (keeps_time(slot->param)) {
            *link = slot->next;
            slot->next = aside;
            aside = slot;
        } else {
            link = &slot->next;
        }
    }
}

static avr_cycle_timer_slot_p slot_of(avr_cycle_timer_slot_p list, const void *module, avr_cycle_timer_t timer)
{
    while (list != NULL && (list->param != module || (timer != NULL && list->timer != timer))) {
        list = list->next;
    }
    return list;
}

/* Whether the firmware has begun its watchdog since time stands still: it is about to boot. */
uint8_t rig_boots(void)
{
    avr_cycle_timer_slot_p slot;
    for (slot = avr->cycle_timers.timer; slot != NULL; slot = slot->next) {
        if (keeps_time(slot->param) && strcmp(((avr_io_t *)slot->param)->kind, "watchdog") == 0) {
            return 1;
        }
    }
    return 0;
}

/* Time passes again from where it stood. What the firmware has begun anew meanwhile is as it says. */
void rig_thaw(void)
{
    avr_cycle_timer_pool_t *pool = &avr->cycle_timers;
    uint64_t stood = avr->cycle - frozen_cycle;
    avr_io_t *io;
    frozen = false;
    rig.base_cycle += stood;
    for (io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "timer") == 0 && slot_of(aside, io, NULL) != NULL
            && slot_of(pool->timer, io, NULL) == NULL) {
            ((avr_timer_t *)io)->tov_base += stood;
        }
    }
    while (aside != NULL) {
        avr_cycle_timer_slot_p slot = aside;
        avr_cycle_timer_slot_p *link = &pool->timer;
        aside = slot->next;
        slot->when += stood;
        if (slot_of(pool->timer, slot->param, slot->timer) != NULL) {
            link = &pool->timer_free;
        } else {
            while (*link != NULL && (*link)->when <= slot->when) {
                link = &(*link)->next;
            }
        }
        slot->next = *link;
        *link = slot;
    }
}

static uint16_t convert(uint32_t channel)
{
    uint16_t codes[WORLD_CHANNELS] = { 0 };
    uint16_t fan_speed = 0;
    int64_t now_ns = instant(avr->cycle);
    if (channel > TACHOMETER) {
        return 0xFFFFU;
    }
    world_convert(now_ns, now_ns, channel > WORLD_CURRENT, codes, &fan_speed);
    return channel == TACHOMETER ? fan_speed : codes[channel];
}

static void on_spi(uint8_t byte)
{
    uint8_t low = (uint8_t)(~avr->data[PORTB_DATA] & 7);
    uint8_t answer = 0xFF;
    if (low != spi_select) {
        spi_select = low;
        spi_at = 0;
    }
    if (low == SELECT_CONVERTER) {
        if (spi_at == 0) {
            spi_code = convert(byte);
        } else {
            answer = (uint8_t)(spi_at == 1 ? spi_code >> 8 : spi_code);
        }
        spi_at = (uint8_t)((spi_at + 1) % 3);
    } else if (low == SELECT_LEVEL || low == SELECT_SLEW) {
        uint16_t *output = low == SELECT_LEVEL ? &rig.outputs.code : &rig.outputs.slew;
        spi_word = (uint16_t)(spi_word << 8 | byte);
        if (++spi_at == 2) {
            spi_at = 0;
            if (*output != spi_word) {
                *output = spi_word;
                stop();
            }
        }
    }
    avr_raise_irq(spi_input, answer);
}

static void on_spdr(struct avr_t *self, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)self;
    (void)address;
    (void)param;
    on_spi(value);
}

static void on_portc(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (rig.outputs.portc != (uint8_t)value) {
        rig.outputs.portc = (uint8_t)value;
        stop();
    }
}

static void on_output(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (rig.out_length < OUT_ROOM) {
        rig.out[rig.out_length] = (uint8_t)value;
        rig.out_cycle[rig.out_length] = avr->cycle;
        ++rig.out_length;
    }
}

static void no_sleep(avr_t *self, avr_cycle_count_t cycles)
{
    (void)self;
    (void)cycles;
}

static void (*reset_of_core)(avr_t *);

static avr_cycle_count_t feed(avr_t *self, avr_cycle_count_t when, void *param)
{
    (void)self;
    (void)param;
    if (uart->cycles_per_byte > FRAME) {
        uart->cycles_per_byte = uart->cycles_per_byte * 10 / 11;
    }
    avr_raise_irq(uart_input, rig.in[rig.in_first]);
    rig.in_first = (rig.in_first + 1) % IN_RING;
    rig.heard_cycle = when;
    feeding = rig.in_first != rig.in_last;
    return feeding ? when + FRAME : 0;
}

/* Bytes that wait come one frame after the other. */
static void feed_on(void)
{
    if (!feeding && rig.in_first != rig.in_last) {
        feeding = true;
        avr_cycle_timer_register(avr, FRAME, feed, NULL);
    }
}

/* Any reset, the watchdog's too, wipes what the rig has set. */
static void on_reset(avr_t *self)
{
    if (reset_of_core != NULL) {
        reset_of_core(self);
    }
    spi_select = 0;
    spi_at = 0;
    aside = NULL; /* the library has emptied its list, these with it */
    feeding = false;
    feed_on();
    rig.outputs.portc = 0;
    rig.outputs.fan = 0;
    ++rig.resets;
    stop();
}

/* Begin with the ELF file; 0, or below 0 when it cannot be used. */
int32_t rig_start(const char *path)
{
    elf_firmware_t firmware;
    avr_io_t *io;
    uint32_t flags = 0;
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(path, &firmware) != 0) {
        return -1;
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL) {
        return -2;
    }
    avr_init(avr);
    reset_of_core = avr->reset;
    avr->reset = on_reset;
    firmware.frequency = FREQUENCY;
    avr_load_firmware(avr, &firmware);
    avr->log = LOG_ERROR;
    avr->sleep = no_sleep;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    spi_input = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
    for (io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "uart") == 0) {
            uart = (avr_uart_t *)io;
        }
    }
    uart_input = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_output, NULL);
    avr_irq_register_notify(
        avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), IOPORT_IRQ_REG_PORT), on_portc, NULL);
    avr_register_io_write(avr, SPDR_DATA, on_spdr, NULL);
    return 0;
}

/* A reset with these flags in MCUSR. What was on its way is lost. */
void rig_reset(uint8_t mcusr)
{
    rig.out_length = 0;
    rig.in_first = rig.in_last = 0;
    avr_reset(avr);
    avr->data[MCUSR_DATA] = mcusr;
    /* Were PD2 or PD3 low, the library would look at them every cycle, in case an interrupt waited for that. */
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2), 1);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 3), 1);
}

/* The present cycle is that instant; `cycle_ns` by the chip's own clock. */
void rig_set_clock(int64_t now_ns, double cycle_ns)
{
    rig.now_ns = rig.base_ns = now_ns;
    rig.base_cycle = avr->cycle;
    rig.cycle_ns = cycle_ns;
}

static int32_t run(uint64_t goal, bool talk)
{
    stopped = false;
    while (avr->cycle < goal && !stopped && !(talk && rig.out_length > 0)) {
        int state;
        uint64_t left = goal - avr->cycle;
        avr->run_cycle_limit = left < MOST_AT_ONCE ? left : MOST_AT_ONCE;
        state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            return -1;
        }
        if (avr->data[OCR0A_DATA] != rig.outputs.fan) {
            rig.outputs.fan = avr->data[OCR0A_DATA];
            stopped = true;
        }
    }
    rig.now_ns = instant(avr->cycle);
    return 0;
}

/* Run up to an instant, or until something is driven, or with `talk` until something is said; the state of the
 * core: below 0 when it crashed or sleeps for ever. */
int32_t rig_run(int64_t until_ns, bool talk)
{
    return run(rig.base_cycle + (uint64_t)ceil((double)(until_ns - rig.base_ns) / rig.cycle_ns), talk);
}

/* The same for so many cycles at most, in which no time need pass. */
int32_t rig_work(uint32_t cycles, bool talk)
{
    return run(avr->cycle + cycles, talk);
}

uint64_t rig_cycle(void)
{
    return avr->cycle;
}

void rig_send(const uint8_t *bytes, uint32_t count)
{
    uint32_t at;
    for (at = 0; at < count; ++at) {
        rig.in[rig.in_last] = bytes[at];
        rig.in_last = (rig.in_last + 1) % IN_RING;
    }
    feed_on();
}

/* An input of port D. */
void rig_pin(uint8_t number, uint8_t level)
{
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), number), level);
}
