/* A microcontroller of the library libsimavr (GPL-3: this file is compiled on the user's machine and shipped as
 * source) with the chips of a board around it, as a library for a program that plays the world. Which pin does
 * what, and what passes over the buses, is a table that the program gives (`struct board`). A channel is converted
 * when the firmware asks for it; what the firmware drives stops the run, so that the world changes in that cycle.
 *
 * What is mended of the library, without changing it:
 * - an SPI transfer takes 100 us there whatever its clock, and interrupts twice; here it is done at once;
 * - its TWI never clears TWINT, tells 0x28 for an acknowledged SLA+W and takes 1 us for a bit; its registers are
 *   played here, as a master, with the bit rate that TWBR and TWPS say;
 * - its ADC looks at the multiplexer when the result is read, scales by 1023, takes whole millivolts and keeps ADIF
 *   when one is written to it; its registers are played here. A value is taken as the conversion starts (on the chip
 *   1.5 of its clocks later). Auto trigger is free running only;
 * - its receiver holds 63 bytes; here it holds two and a third that waits in the shift register, bytes come at the
 *   wire's rate, and one that finds them all taken is lost and sets DOR;
 * - it counts 11 bits for a frame and looks at U2X too early; here it is told of 10 before each byte;
 * - an input that the firmware pulls up goes high with each write to its port, and one that is driven high reads
 *   low after a reset; here they are as they are driven;
 * - its sleep keeps real time, here it returns at once. */
#include "converters.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_twi.h>
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

DEFINE_FIFO(uint16_t, uart_fifo);

enum { IN_RING = 65536, OUT_ROOM = 65536, MOST_AT_ONCE = 100000, ADDRESSED = 65536 };
enum { MOST_DEVICES = 16, CHANNELS = WORLD_CHANNELS + 1, NOT_WIRED = 0xFF, ANALOG_INPUTS = 16, PORTS = 12 };
enum { CONVERTER, LEVEL, SLEW };
enum { RELAY = 1, STAGE = 2, CAPTURE = 4 };
enum { RELAY_PIN, STAGE_PIN, CAPTURE_PIN, OUTPUT_PINS };
enum { INPUT_PINS = 16 };

/* ------------------------------------------------------------------------------------------- the table */

/* A pin: its port from 0 for A, and the port's bit as a mask. */
struct pin {
    uint8_t port; /* NOT_WIRED: there is none */
    uint8_t mask;
    uint8_t low; /* active low */
};

/* Bits of a transfer, counted from its first. None: no such number. */
struct field {
    uint8_t bit;
    uint8_t bits;
};

/* A chip on a bus, or one output of it. */
struct device {
    uint8_t kind;
    uint8_t address; /* on TWI; 0: on SPI */
    struct pin select;
    struct field ask; /* the channel's number, or the output's mark */
    struct field code;
    uint8_t mark;
    uint8_t late; /* the code comes in the next transfer */
    uint8_t channel[256]; /* by its number */
    uint8_t shift[CHANNELS]; /* to the left, by channel */
    uint32_t zero[CHANNELS]; /* the code that is sent as 0 */
};

struct analog {
    uint8_t channel;
    double volt_per_unit;
    double offset_volt;
};

struct board {
    char chip[24];
    uint32_t hertz;
    uint32_t frame; /* cycles of a byte on the wire to the host */
    char uart; /* as '0' */
    char timer; /* as '0', of the fan's drive; 0: none */
    uint8_t compare; /* its unit: 0 for A */
    struct pin fan;
    struct pin output[OUTPUT_PINS];
    struct pin input[INPUT_PINS];
    uint8_t device_count;
    struct device device[MOST_DEVICES];
    double reference_volt; /* of the built-in ADC */
    struct analog analog[ANALOG_INPUTS];
};

/* -------------------------------------------------------------------------------------- what is shared */

/* What the board drives. */
struct outputs {
    double fan; /* share of time */
    uint32_t level; /* code */
    uint32_t slew; /* code */
    uint8_t pins; /* those that are active */
};

struct rig {
    struct outputs outputs;
    int64_t now_ns;
    int64_t base_ns; /* an instant and its cycle, from which the others are counted */
    uint64_t base_cycle;
    double cycle_ns; /* by the chip's own clock */
    uint64_t heard_cycle; /* when the last byte was given to the receiver */
    uint64_t sent_frame; /* cycles of a byte by the firmware's setting; 0: it has sent none */
    uint32_t resets; /* of any kind */
    uint32_t in_first;
    uint32_t in_last;
    uint32_t out_length;
    uint8_t out[OUT_ROOM];
    uint64_t out_cycle[OUT_ROOM];
    uint8_t in[IN_RING];
};

/* What a chip on a bus has seen of the present transfer. */
struct transfer {
    bool selected;
    bool asked;
    bool driven;
    uint8_t count; /* bytes */
    uint8_t given; /* bytes, on TWI */
    uint8_t number; /* asked for last */
    uint64_t word; /* what came, from the top */
    uint64_t answer;
};

static struct board board;
static struct transfer transfers[MOST_DEVICES];
static bool active[INPUT_PINS];

static avr_t *avr;
static avr_ioport_t *ports[PORTS];
static avr_spi_t *spi;
static avr_twi_t *twi;
static avr_adc_t *adc;
static avr_uart_t *uart;
static avr_timer_t *fan_timer;

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

/* --------------------------------------------------------------------------------- time that stands still */

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

/* -------------------------------------------------------------------------------------------- transfers */

static uint32_t bits_of(uint64_t word, struct field field)
{
    return field.bits == 0 ? 0 : (uint32_t)(word << field.bit >> (64 - field.bits));
}

/* The code of the channel with that number, at its place in the answer; a number without a channel reads ones. */
static uint64_t converted(const struct device *device, uint8_t number)
{
    uint64_t all = UINT64_MAX >> (64 - device->code.bits);
    uint8_t channel = device->channel[number];
    uint64_t code = all;
    if (channel != NOT_WIRED) {
        code = (uint64_t)world_code(channel, instant(avr->cycle));
        code = code > all ? all : code;
        code = (code - device->zero[channel]) << device->shift[channel] & all;
    }
    return code << (64 - device->code.bit - device->code.bits);
}

static void begin(const struct device *device, struct transfer *transfer)
{
    transfer->count = transfer->given = 0;
    transfer->word = 0;
    transfer->asked = transfer->driven = false;
    if (device->kind == CONVERTER && (device->late || device->ask.bits == 0)) {
        transfer->answer = converted(device, transfer->number);
    } else {
        transfer->answer = 0;
    }
}

static void drive(uint32_t *output, uint32_t code)
{
    if (*output != code) {
        *output = code;
        stop();
    }
}

/* One more byte of a transfer to the chip. */
static void hear(const struct device *device, struct transfer *transfer, uint8_t byte)
{
    uint8_t got;
    if (transfer->count == 8) {
        return;
    }
    transfer->word |= (uint64_t)byte << (56 - 8 * transfer->count);
    got = (uint8_t)(8 * ++transfer->count);
    if (!transfer->asked && got >= device->ask.bit + device->ask.bits) {
        transfer->asked = true;
        transfer->number = (uint8_t)bits_of(transfer->word, device->ask);
        if (device->kind == CONVERTER && device->ask.bits != 0 && !device->late && device->address == 0) {
            transfer->answer = converted(device, transfer->number);
        }
    }
    if (device->kind != CONVERTER && transfer->asked && !transfer->driven && transfer->number == device->mark
        && got >= device->code.bit + device->code.bits) {
        transfer->driven = true;
        drive(device->kind == LEVEL ? &rig.outputs.level : &rig.outputs.slew, bits_of(transfer->word, device->code));
    }
}

/* The byte of the answer with that number; ones after its end. */
static uint8_t answered(const struct transfer *transfer, uint8_t number)
{
    return number < 8 ? (uint8_t)(transfer->answer >> (56 - 8 * number)) : 0xFF;
}

/* ------------------------------------------------------------------------------------------------- pins */

static bool wired(const struct pin *pin)
{
    return pin->port != NOT_WIRED;
}

/* Whether a pin is driven, and to its active level. */
static bool drives(const struct pin *pin)
{
    const avr_ioport_t *port = ports[pin->port];
    return (avr->data[port->r_ddr] & pin->mask) != 0 && ((avr->data[port->r_port] & pin->mask) == 0) == pin->low;
}

static void look_at_pins(void)
{
    uint8_t pins = 0;
    uint8_t at;
    for (at = 0; at < OUTPUT_PINS; ++at) {
        if (!wired(&board.output[at])) {
            continue;
        }
        pins |= (uint8_t)(drives(&board.output[at]) ? 1U << at : 0U);
    }
    for (at = 0; at < board.device_count; ++at) {
        const struct device *device = &board.device[at];
        if (device->address == 0) {
            bool selected = drives(&device->select);
            if (selected && !transfers[at].selected) {
                begin(device, &transfers[at]);
            }
            transfers[at].selected = selected;
        }
    }
    if (rig.outputs.pins != pins) {
        rig.outputs.pins = pins;
        stop();
    }
}

static void on_port(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    (void)param;
    look_at_pins();
}

/* The level of an input is the world's, whatever the firmware pulls it to. */
static void look_at_input(const struct pin *pin, bool on)
{
    avr_ioport_t *port = ports[pin->port];
    bool high = on != (pin->low != 0);
    uint8_t others = (uint8_t)~pin->mask;
    uint8_t ours = high ? pin->mask : 0;
    uint8_t bit = 0;
    while ((pin->mask >> bit & 1) == 0) {
        ++bit;
    }
    port->external.pull_mask |= pin->mask;
    port->external.pull_value = (uint8_t)((port->external.pull_value & others) | ours);
    avr->data[port->r_pin] = (uint8_t)((avr->data[port->r_pin] & others) | ours);
    avr_raise_irq(port->io.irq + bit, high); /* which tells no one when the level is as before */
}

static void look_at_inputs(void)
{
    uint8_t at;
    for (at = 0; at < INPUT_PINS; ++at) {
        if (wired(&board.input[at])) {
            look_at_input(&board.input[at], active[at]);
        }
    }
}

static uint32_t pair(avr_io_addr_t low, avr_io_addr_t high)
{
    return avr->data[low] | (uint32_t)(high != 0 ? avr->data[high] : 0) << 8;
}

/* What a PWM counts to in each waveform mode of an 8-bit timer and of a 16-bit one; 0: that is no PWM. The library
 * does not know all of them. Data sheet of the ATmega328P, "Waveform Generation Mode Bit Description" (from memory). */
enum { TO_OCRA = 0x10000, TO_ICR };
static const uint32_t top_of_8_bits[16] = { 0, 255, 0, 255, 0, TO_OCRA, 0, TO_OCRA };
static const uint32_t top_of_16_bits[16] = { 0, 255, 511, 1023, 0, 255, 511, 1023, TO_ICR, TO_OCRA, TO_ICR, TO_OCRA,
    0, 0, TO_ICR, TO_OCRA };

/* The fan's share of time: what its compare unit makes of the pin, or the pin's latch when it is not connected. */
static double fan_share(void)
{
    const avr_timer_comp_t *unit;
    uint32_t value;
    uint32_t top;
    uint8_t mode;
    uint8_t wave;
    double share;
    if (fan_timer == NULL || (avr->data[ports[board.fan.port]->r_ddr] & board.fan.mask) == 0) {
        return 0.0;
    }
    unit = &fan_timer->comp[board.compare];
    mode = avr_regbit_get(avr, unit->com);
    wave = avr_regbit_get_array(avr, fan_timer->wgm, 4);
    top = unit->r_ocrh != 0 ? top_of_16_bits[wave] : top_of_8_bits[wave];
    if (mode < avr_timer_com_clear || top == 0) {
        return drives(&board.fan) ? 1.0 : 0.0;
    }
    if (top == TO_OCRA) {
        top = pair(fan_timer->comp[AVR_TIMER_COMPA].r_ocr, fan_timer->comp[AVR_TIMER_COMPA].r_ocrh);
    } else if (top == TO_ICR) {
        top = pair(fan_timer->r_icr, fan_timer->r_icrh);
    }
    value = pair(unit->r_ocr, unit->r_ocrh);
    share = value >= top ? 1.0 : (double)value / top;
    return (mode == avr_timer_com_set) == (board.fan.low != 0) ? share : 1.0 - share;
}

/* -------------------------------------------------------------------------------------------------- SPI */

static void on_spdr(struct avr_t *self, avr_io_addr_t address, uint8_t byte, void *param)
{
    uint8_t answer = 0xFF;
    uint8_t at;
    avr_cycle_timer_slot_p slot;
    (void)address;
    (void)param;
    if (!avr_regbit_get(self, spi->spe) || !avr_regbit_get(self, spi->mstr)) {
        return;
    }
    for (at = 0; at < board.device_count; ++at) {
        struct transfer *transfer = &transfers[at];
        if (board.device[at].address == 0 && transfer->selected) {
            uint8_t number = transfer->count;
            hear(&board.device[at], transfer, byte);
            if (board.device[at].kind == CONVERTER) {
                answer &= answered(transfer, number);
            }
        }
    }
    slot = slot_of(self->cycle_timers.timer, spi, NULL);
    if (slot != NULL) {
        avr_cycle_timer_cancel(self, slot->timer, spi); /* the library's own end of the transfer */
    }
    avr_raise_irq(spi->io.irq + SPI_IRQ_INPUT, answer);
}

/* ------------------------------------------------------------------------------------------------- TWI
 *
 * A master, by the tables of status codes in the data sheet of the ATmega328P (from memory; the names are those of
 * avr-libc's <util/twi.h>). */

enum {
    TW_START = 0x08,
    TW_REP_START = 0x10,
    TW_MT_SLA_ACK = 0x18,
    TW_MT_SLA_NACK = 0x20,
    TW_MT_DATA_ACK = 0x28,
    TW_MT_DATA_NACK = 0x30,
    TW_MR_SLA_ACK = 0x40,
    TW_MR_SLA_NACK = 0x48,
    TW_MR_DATA_ACK = 0x50,
    TW_MR_DATA_NACK = 0x58,
    TW_NO_INFO = 0xF8
};
enum { TWINT_BIT = 0x80, TWEA_BIT = 0x40, TWSTA_BIT = 0x20, TWSTO_BIT = 0x10, TWEN_BIT = 0x04, TWIE_BIT = 0x01 };

static uint8_t twi_next; /* status at the end of what is going on */
static uint8_t twi_data; /* what will have been received */
static uint8_t twi_address; /* whom the master talks to; 0: nobody */
static bool twi_held; /* between START and STOP */

static uint8_t twi_status(void)
{
    return avr->data[twi->r_twsr] & 0xF8;
}

static avr_cycle_count_t twi_done(avr_t *self, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    self->data[twi->r_twsr] = (uint8_t)((self->data[twi->r_twsr] & 3) | twi_next);
    if (twi_next == TW_MR_DATA_ACK || twi_next == TW_MR_DATA_NACK) {
        self->data[twi->r_twdr] = twi_data;
    }
    avr_raise_interrupt(self, &twi->twi);
    return 0;
}

static bool twi_named(uint8_t address)
{
    uint8_t at;
    bool found = false;
    for (at = 0; at < board.device_count; ++at) {
        found = found || (address != 0 && board.device[at].address == address);
    }
    return found;
}

static void twi_begin(uint8_t address, bool read)
{
    uint8_t at;
    twi_address = twi_named(address) ? address : 0;
    for (at = 0; twi_address != 0 && at < board.device_count; ++at) {
        const struct device *device = &board.device[at];
        if (device->address != twi_address) {
            continue;
        }
        begin(device, &transfers[at]);
        if (read && device->kind == CONVERTER) {
            transfers[at].answer = converted(device, transfers[at].number);
        }
    }
}

static void twi_write(uint8_t byte)
{
    uint8_t at;
    for (at = 0; at < board.device_count; ++at) {
        if (board.device[at].address == twi_address) {
            hear(&board.device[at], &transfers[at], byte);
        }
    }
}

static uint8_t twi_read(void)
{
    uint8_t at;
    uint8_t byte = 0xFF;
    for (at = 0; at < board.device_count; ++at) {
        if (board.device[at].address == twi_address && board.device[at].kind == CONVERTER) {
            byte = answered(&transfers[at], transfers[at].given);
            transfers[at].given = (uint8_t)(transfers[at].given + (transfers[at].given < 8));
        }
    }
    return byte;
}

/* What TWINT, written as one, sets going. */
static void twi_go(uint8_t control)
{
    uint32_t bit = 16U + ((2U * avr->data[twi->r_twbr]) << (2 * (avr->data[twi->r_twsr] & 3)));
    uint32_t cycles = 9 * bit;
    uint8_t byte = avr->data[twi->r_twdr];
    if ((control & TWSTO_BIT) != 0) {
        twi_held = false;
        twi_address = 0;
        avr->data[twi->r_twcr] &= (uint8_t)~TWSTO_BIT;
        avr->data[twi->r_twsr] = (uint8_t)((avr->data[twi->r_twsr] & 3) | TW_NO_INFO);
        if ((control & TWSTA_BIT) == 0) {
            return;
        }
    }
    if ((control & TWSTA_BIT) != 0) {
        twi_next = twi_held ? TW_REP_START : TW_START;
        twi_held = true;
        cycles = bit;
    } else {
        switch (twi_status()) {
        case TW_START:
        case TW_REP_START:
            twi_begin(byte >> 1, (byte & 1) != 0);
            if ((byte & 1) != 0) {
                twi_next = twi_address != 0 ? TW_MR_SLA_ACK : TW_MR_SLA_NACK;
            } else {
                twi_next = twi_address != 0 ? TW_MT_SLA_ACK : TW_MT_SLA_NACK;
            }
            break;
        case TW_MT_SLA_ACK:
        case TW_MT_SLA_NACK:
        case TW_MT_DATA_ACK:
        case TW_MT_DATA_NACK:
            if (twi_address != 0) {
                twi_write(byte);
            }
            twi_next = twi_address != 0 ? TW_MT_DATA_ACK : TW_MT_DATA_NACK;
            break;
        case TW_MR_SLA_ACK:
        case TW_MR_DATA_ACK:
            twi_data = twi_read();
            twi_next = (control & TWEA_BIT) != 0 ? TW_MR_DATA_ACK : TW_MR_DATA_NACK;
            break;
        default:
            return; /* nothing goes on without a START */
        }
    }
    avr_cycle_timer_register(avr, cycles, twi_done, NULL);
}

static void on_twcr(struct avr_t *self, avr_io_addr_t address, uint8_t value, void *param)
{
    uint8_t raised = self->data[address] & TWINT_BIT;
    (void)param;
    if ((value & TWEN_BIT) == 0) {
        avr_cycle_timer_cancel(self, twi_done, NULL);
        avr_clear_interrupt(self, &twi->twi);
        self->data[address] = (uint8_t)(value & ~(TWINT_BIT | TWSTO_BIT));
        twi_held = false;
        return;
    }
    if ((value & TWINT_BIT) != 0) {
        avr_clear_interrupt(self, &twi->twi);
        self->data[address] = (uint8_t)(value & ~TWINT_BIT);
        twi_go(value);
        return;
    }
    self->data[address] = value | raised;
    if (raised != 0 && (value & TWIE_BIT) != 0) {
        avr_raise_interrupt(self, &twi->twi);
    }
}

static void on_twsr(struct avr_t *self, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    self->data[address] = (uint8_t)((self->data[address] & 0xF8) | (value & 3));
}

/* --------------------------------------------------------------------------------------- the built-in ADC
 *
 * Data sheet of the ATmega328P (from memory): ADC = V 1024 / VREF; 13 of its clocks, 25 the first time; the
 * multiplexer counts when a conversion starts; ADIF goes with its interrupt, or when one is written to it. */

enum { ADEN_BIT = 0x80, ADSC_BIT = 0x40, ADATE_BIT = 0x20, ADIF_BIT = 0x10, ADIE_BIT = 0x08, ADPS_BITS = 0x07 };

static bool adc_fresh; /* not used since it was turned on */
static bool adc_locked; /* ADCL has been read, ADCH not yet */
static uint16_t adc_next;
static uint16_t adc_result;

static double adc_reference(void)
{
    uint16_t choice = adc->ref_values[avr_regbit_get_array(avr, adc->ref, 3)];
    return choice == ADC_VREF_V110 || choice == ADC_VREF_V256 ? choice / 1000.0 : board.reference_volt;
}

static uint16_t adc_code(void)
{
    avr_adc_mux_t source = adc->muxmode[avr_regbit_get_array(avr, adc->mux, 6)];
    double volt = 0.0;
    double code;
    if (source.kind == ADC_MUX_REF) {
        volt = source.src / 1000.0;
    } else if (source.kind == ADC_MUX_SINGLE && source.src < ANALOG_INPUTS) {
        const struct analog *from = &board.analog[source.src];
        if (from->channel != NOT_WIRED) {
            volt = from->offset_volt + from->volt_per_unit * world_value(from->channel, instant(avr->cycle));
        }
    }
    code = floor(volt * 1024.0 / adc_reference() + 0.5);
    return (uint16_t)(code < 0.0 ? 0.0 : code > 1023.0 ? 1023.0 : code);
}

static avr_cycle_count_t adc_done(avr_t *self, avr_cycle_count_t when, void *param);

static void adc_begin(void)
{
    uint8_t divider = avr->data[adc->r_adcsra] & ADPS_BITS;
    adc_next = adc_code();
    avr_cycle_timer_register(
        avr, (uint32_t)(adc_fresh ? 25 : 13) << (divider == 0 ? 1 : divider), adc_done, NULL);
    adc_fresh = false;
}

static avr_cycle_count_t adc_done(avr_t *self, avr_cycle_count_t when, void *param)
{
    uint8_t source = avr_regbit_get_array(self, adc->adts, 4);
    (void)when;
    (void)param;
    if (!adc_locked) {
        adc_result = adc_next;
    }
    avr_raise_interrupt(self, &adc->adc);
    if ((self->data[adc->r_adcsra] & ADATE_BIT) != 0 && adc->adts_op[source] == avr_adts_free_running) {
        adc_begin();
    } else {
        self->data[adc->r_adcsra] &= (uint8_t)~ADSC_BIT;
    }
    return 0;
}

static void on_adcsra(struct avr_t *self, avr_io_addr_t address, uint8_t value, void *param)
{
    uint8_t before = self->data[address];
    uint8_t raised = before & ADIF_BIT;
    (void)param;
    if ((value & ADIF_BIT) != 0) {
        avr_clear_interrupt(self, &adc->adc);
        raised = 0;
    }
    value = (uint8_t)((value & ~ADIF_BIT) | raised);
    if ((value & ADEN_BIT) == 0) {
        avr_cycle_timer_cancel(self, adc_done, NULL);
        self->data[address] = (uint8_t)(value & ~ADSC_BIT);
        adc_fresh = true;
        return;
    }
    self->data[address] = (uint8_t)(value | (before & ADSC_BIT));
    if ((value & ADSC_BIT) != 0 && (before & ADSC_BIT) == 0) {
        adc_begin();
    }
    if (raised != 0 && (value & ADIE_BIT) != 0) {
        avr_raise_interrupt(self, &adc->adc);
    }
}

static uint16_t adc_aligned(void)
{
    return (uint16_t)(avr_regbit_get(avr, adc->adlar) ? adc_result << 6 : adc_result);
}

static uint8_t on_adcl(struct avr_t *self, avr_io_addr_t address, void *param)
{
    (void)self;
    (void)address;
    (void)param;
    adc_locked = true;
    return (uint8_t)adc_aligned();
}

static uint8_t on_adch(struct avr_t *self, avr_io_addr_t address, void *param)
{
    (void)self;
    (void)address;
    (void)param;
    adc_locked = false;
    return (uint8_t)(adc_aligned() >> 8);
}

/* ------------------------------------------------------------------------------------------------- UART */

enum { RECEIVER_BYTES = 3 };

static avr_io_read_t read_udr;
static void *read_udr_param;
static avr_io_write_t write_udr;
static void *write_udr_param;

/* A byte takes a start bit, eight bits and a stop bit. */
static void mend_frame(void)
{
    uint64_t divider = avr_regbit_get(avr, uart->ubrrl) | (uint64_t)avr_regbit_get(avr, uart->ubrrh) << 8;
    uart->cycles_per_byte = (divider + 1) * (avr_regbit_get(avr, uart->u2x) ? 8 : 16) * 10;
}

static void on_udr(struct avr_t *self, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    mend_frame();
    rig.sent_frame = uart->cycles_per_byte;
    write_udr(self, address, value, write_udr_param);
}

static uint8_t on_udr_read(struct avr_t *self, avr_io_addr_t address, void *param)
{
    (void)param;
    avr_regbit_clear(self, uart->dor);
    return read_udr(self, address, read_udr_param);
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

static avr_cycle_count_t feed(avr_t *self, avr_cycle_count_t when, void *param)
{
    (void)param;
    mend_frame();
    if (uart_fifo_get_read_size(&uart->input) < RECEIVER_BYTES) {
        avr_raise_irq(uart->io.irq + UART_IRQ_INPUT, rig.in[rig.in_first]);
    } else {
        avr_regbit_set(self, uart->dor);
    }
    rig.in_first = (rig.in_first + 1) % IN_RING;
    rig.heard_cycle = when;
    feeding = rig.in_first != rig.in_last;
    return feeding ? when + board.frame : 0;
}

/* Bytes that wait come one frame after the other. */
static void feed_on(void)
{
    if (!feeding && rig.in_first != rig.in_last) {
        feeding = true;
        avr_cycle_timer_register(avr, board.frame, feed, NULL);
    }
}

/* ------------------------------------------------------------------------------------------ start and run */

enum { PORF_BIT = 1 }; /* in MCUSR: data sheet */

static void no_sleep(avr_t *self, avr_cycle_count_t cycles)
{
    (void)self;
    (void)cycles;
}

static void (*reset_of_core)(avr_t *);

/* Any reset, the watchdog's too, wipes what the rig has set. */
static void on_reset(avr_t *self)
{
    if (reset_of_core != NULL) {
        reset_of_core(self);
    }
    memset(transfers, 0, sizeof transfers);
    twi_held = false;
    twi_address = 0;
    adc_fresh = true;
    adc_locked = false;
    adc_result = 0;
    aside = NULL; /* the library has emptied its list, these with it */
    feeding = false;
    feed_on();
    look_at_inputs(); /* their registers were wiped */
    rig.outputs.pins = 0;
    rig.outputs.fan = 0.0;
    ++rig.resets;
    stop();
}

static avr_io_t *module(const char *kind, char name)
{
    avr_io_t *io;
    for (io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, kind) == 0
            && (name == 0 || (strcmp(kind, "uart") == 0 && ((avr_uart_t *)io)->name == name)
                || (strcmp(kind, "timer") == 0 && ((avr_timer_t *)io)->name == name))) {
            return io;
        }
    }
    return NULL;
}

/* Were the pins of external interrupts low, the library would look at them every cycle, in case one waited for
 * that. Those that the world drives are put where they are afterwards. */
static void raise_interrupt_pins(void)
{
    const avr_extint_t *external = (const avr_extint_t *)module("extint", 0);
    int at;
    for (at = 0; external != NULL && at < EXTINT_COUNT; ++at) {
        if (external->eint[at].port_ioctl != 0) {
            avr_raise_irq(avr_io_getirq(avr, external->eint[at].port_ioctl, external->eint[at].port_pin), 1);
        }
    }
}

static void play(avr_io_addr_t address, avr_io_read_t read, avr_io_write_t write)
{
    avr_io_addr_t at = (avr_io_addr_t)AVR_DATA_TO_IO(address);
    avr->io[at].r.c = read;
    avr->io[at].w.c = write;
}

/* What the table speaks of and the library has not. */
static bool lacks(void)
{
    uint8_t at;
    bool lacking = uart == NULL || spi == NULL || twi == NULL || adc == NULL
        || (board.timer != 0 && (fan_timer == NULL || fan_timer->comp[board.compare].r_ocr == 0
                                 || ports[board.fan.port] == NULL
                                 || fan_timer->comp[board.compare].com_pin.reg != ports[board.fan.port]->r_port
                                 || 1 << fan_timer->comp[board.compare].com_pin.bit != board.fan.mask));
    for (at = 0; at < OUTPUT_PINS; ++at) {
        lacking = lacking || (wired(&board.output[at]) && ports[board.output[at].port] == NULL);
    }
    for (at = 0; at < INPUT_PINS; ++at) {
        lacking = lacking || (wired(&board.input[at]) && ports[board.input[at].port] == NULL);
    }
    for (at = 0; at < board.device_count; ++at) {
        lacking = lacking || (board.device[at].address == 0 && ports[board.device[at].select.port] == NULL);
    }
    return lacking;
}

/* A program that has lost its way reads and writes past its memory's end before the library stops it. All that 16 bits
 * can address is there. */
static bool widen_memory(void)
{
    size_t data = (size_t)avr->ramend + 1;
    size_t flash = (size_t)avr->flashend + 1;
    avr->data = realloc(avr->data, ADDRESSED);
    if (avr->data != NULL) {
        memset(avr->data + data, 0, ADDRESSED - data);
    }
    if (flash < ADDRESSED) {
        avr->flash = realloc(avr->flash, ADDRESSED + 4);
        if (avr->flash != NULL) {
            memset(avr->flash + flash, 0xFF, ADDRESSED + 4 - flash);
        }
    }
    return avr->data != NULL && avr->flash != NULL;
}

/* Begin with the ELF file on that board; 0, or below 0: -1 it cannot be read, -2 the library does not have the
 * chip, -3 nor all that the board speaks of, -4 the program is larger than the chip's flash. */
int32_t rig_start(const char *path, const struct board *given)
{
    elf_firmware_t firmware;
    avr_io_t *io;
    uint32_t flags = 0;
    board = *given;
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(path, &firmware) != 0) {
        return -1;
    }
    avr = avr_make_mcu_by_name(board.chip);
    if (avr == NULL) {
        return -2;
    }
    avr_init(avr);
    if (!widen_memory()) {
        return -1;
    }
    if (firmware.flashbase + firmware.flashsize > avr->flashend + 1) {
        return -4;
    }
    for (io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "port") == 0) {
            uint8_t port = (uint8_t)(((avr_ioport_t *)io)->name - 'A');
            if (port < PORTS) {
                ports[port] = (avr_ioport_t *)io;
                avr_irq_register_notify(io->irq + IOPORT_IRQ_REG_PORT, on_port, NULL);
                avr_irq_register_notify(io->irq + IOPORT_IRQ_DIRECTION_ALL, on_port, NULL);
            }
        }
    }
    spi = (avr_spi_t *)module("spi", 0);
    twi = (avr_twi_t *)module("twi", 0);
    adc = (avr_adc_t *)module("adc", 0);
    uart = (avr_uart_t *)module("uart", board.uart);
    fan_timer = board.timer != 0 ? (avr_timer_t *)module("timer", board.timer) : NULL;
    if (lacks()) {
        return -3;
    }
    reset_of_core = avr->reset;
    avr->reset = on_reset;
    firmware.frequency = board.hertz;
    avr_load_firmware(avr, &firmware);
    avr->log = LOG_ERROR;
    avr->sleep = no_sleep;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS(board.uart), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS(board.uart), &flags);
    avr_irq_register_notify(uart->io.irq + UART_IRQ_OUTPUT, on_output, NULL);
    write_udr = avr->io[AVR_DATA_TO_IO(uart->r_udr)].w.c;
    write_udr_param = avr->io[AVR_DATA_TO_IO(uart->r_udr)].w.param;
    avr->io[AVR_DATA_TO_IO(uart->r_udr)].w.c = on_udr;
    read_udr = avr->io[AVR_DATA_TO_IO(uart->r_udr)].r.c;
    read_udr_param = avr->io[AVR_DATA_TO_IO(uart->r_udr)].r.param;
    avr->io[AVR_DATA_TO_IO(uart->r_udr)].r.c = on_udr_read;
    avr_register_io_write(avr, spi->r_spdr, on_spdr, NULL);
    play(twi->r_twcr, NULL, on_twcr);
    play(twi->r_twsr, NULL, on_twsr);
    play(twi->r_twdr, NULL, NULL);
    play(adc->r_adcsra, NULL, on_adcsra);
    play(adc->r_adcl, on_adcl, NULL);
    play(adc->r_adch, on_adch, NULL);
    return 0;
}

/* A reset with these flags in MCUSR. What was on its way is lost; with power, the output converters begin at 0. */
void rig_reset(uint8_t mcusr)
{
    if ((mcusr & PORF_BIT) != 0) {
        rig.outputs.level = rig.outputs.slew = 0;
    }
    rig.out_length = 0;
    rig.in_first = rig.in_last = 0;
    avr_reset(avr);
    avr->data[avr->reset_flags.porf.reg] = mcusr;
    raise_interrupt_pins();
    look_at_inputs();
}

/* Bytes from `place` on in the EEPROM are these, or false: it has not so many. */
bool rig_store(uint16_t place, const uint8_t *bytes, uint32_t count)
{
    avr_eeprom_desc_t written = { .ee = (uint8_t *)bytes, .offset = place, .size = count };
    return avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &written) != -2; /* what it answers when it has not */
}

/* The present cycle is that instant; `cycle_ns` by the chip's own clock. */
void rig_set_clock(int64_t now_ns, double cycle_ns)
{
    rig.now_ns = rig.base_ns = now_ns;
    rig.base_cycle = avr->cycle;
    rig.cycle_ns = cycle_ns;
}

/* ------------------------------------------------------------------------------------ what was reached */

enum { REACHED = 1, PASSED = 2, TAKEN = 4 };
static uint8_t *ways; /* for each word of the flash; NULL: nobody looks */

void rig_watch(uint8_t *given)
{
    ways = given;
}

static uint16_t word_at(avr_flashaddr_t place)
{
    return (uint16_t)(avr->flash[place] | avr->flash[place + 1] << 8);
}

/* The instruction at `begun` was done. Opcodes: AVR Instruction Set Manual, DS40002198. An interrupt right after a
 * branch hides which way that went. */
static void look_back(avr_flashaddr_t begun)
{
    uint16_t code = word_at(begun);
    uint16_t next = word_at(begun + 2);
    avr_flashaddr_t target;
    ways[begun / 2] |= REACHED;
    if ((code & 0xF800) == 0xF000) { /* BRBS, BRBC */
        int32_t words = (code >> 3) & 0x7F;
        target = (avr_flashaddr_t)((int32_t)begun + 2 + 2 * (words < 64 ? words : words - 128));
    } else if ((code & 0xFC00) == 0x1000 || (code & 0xFC08) == 0xFC00 || (code & 0xFD00) == 0x9900) {
        /* CPSE, SBRC, SBRS, SBIC, SBIS; LDS, STS, JMP and CALL have two words */
        target = begun + ((next & 0xFC0F) == 0x9000 || (next & 0xFE0C) == 0x940C ? 6 : 4);
    } else {
        return;
    }
    if (avr->pc == begun + 2) {
        ways[begun / 2] |= PASSED;
    } else if (avr->pc == target) {
        ways[begun / 2] |= TAKEN;
    }
}

static int32_t run(uint64_t goal, bool talk)
{
    stopped = false;
    while (avr->cycle < goal && !stopped && !(talk && rig.out_length > 0)) {
        int state;
        uint64_t left = goal - avr->cycle;
        double fan;
        avr->run_cycle_limit = left < MOST_AT_ONCE ? left : MOST_AT_ONCE;
        if (ways != NULL) { /* an instruction at a time */
            avr_flashaddr_t begun = avr->pc;
            avr->run_cycle_limit = avr->run_cycle_count = 1;
            state = avr_run(avr);
            look_back(begun);
        } else {
            state = avr_run(avr);
        }
        if (state == cpu_Done || state == cpu_Crashed) {
            return -1;
        }
        fan = fan_share();
        if (fan != rig.outputs.fan) {
            rig.outputs.fan = fan;
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

/* A pin that the world drives, by its row in the table. */
void rig_input(uint8_t number, bool on)
{
    active[number] = on;
    if (wired(&board.input[number])) {
        look_at_input(&board.input[number], on);
    }
}
