/* An ATmega328P of the library libsimavr (GPL-3: this file is compiled on the user's machine and shipped as
 * source) with the chips of board.c on its SPI, as a library for a program that plays the world around it.
 *
 * What is mended of the library, without changing it: an SPI transfer takes 100 us there whatever its clock,
 * here it is done at once; its receiver holds 63 bytes, here bytes come at the wire's rate, one frame of 10 bits
 * at 115200 baud each, and the firmware has to fetch them; its sleep keeps real time, here it returns at once. */
#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { FREQUENCY = 16000000, FRAME = 1389, IN_RING = 65536, OUT_ROOM = 65536, LEVELS = 64, CHANNELS = 6 };
enum { PORTB_DATA = 0x25, PORTC_DATA = 0x28, SPDR_DATA = 0x4E, OCR0A_DATA = 0x47, MCUSR_DATA = 0x54 };
enum { SELECT_CONVERTER = 4, SELECT_LEVEL = 2, SELECT_SLEW = 1 };

struct level {
    uint64_t cycle;
    uint16_t code;
    uint16_t stage; /* PORTC then: relay, sense, stage, capture */
};

struct rig {
    uint16_t codes[CHANNELS];
    uint16_t slew;
    uint16_t code;
    uint8_t portc;
    uint8_t fan;
    uint16_t levels;
    struct level level[LEVELS];
    uint32_t out_length;
    uint8_t out[OUT_ROOM];
    uint64_t out_cycle[OUT_ROOM];
    uint32_t in_first;
    uint32_t in_last;
    uint64_t in_cycle; /* when the last byte was given to the receiver */
    uint32_t resets; /* of any kind */
    uint8_t in[IN_RING];
};

static avr_t *avr;
static uint8_t spi_at;
static uint8_t spi_channel;
static uint8_t spi_select;
static uint16_t spi_word;
static avr_irq_t *spi_input;
static avr_irq_t *uart_input;

struct rig rig;

static void note_level(void)
{
    if (rig.levels < LEVELS) {
        rig.level[rig.levels].cycle = avr->cycle;
        rig.level[rig.levels].code = rig.code;
        rig.level[rig.levels].stage = avr->data[PORTC_DATA];
        ++rig.levels;
    }
}

static void on_spi(struct avr_irq_t *irq, uint32_t value, void *param)
{
    uint8_t low = (uint8_t)(~avr->data[PORTB_DATA] & 7);
    uint8_t answer = 0xFF;
    (void)irq;
    (void)param;
    if (low != spi_select) {
        spi_select = low;
        spi_at = 0;
    }
    if (low == SELECT_CONVERTER) {
        if (spi_at == 0) {
            spi_channel = (uint8_t)(value % CHANNELS);
        } else {
            answer = (uint8_t)(spi_at == 1 ? rig.codes[spi_channel] >> 8 : rig.codes[spi_channel]);
        }
        spi_at = (uint8_t)((spi_at + 1) % 3);
    } else if (low == SELECT_LEVEL || low == SELECT_SLEW) {
        spi_word = (uint16_t)(spi_word << 8 | (value & 0xFF));
        if (++spi_at == 2) {
            spi_at = 0;
            if (low == SELECT_LEVEL) {
                rig.code = spi_word;
                note_level();
            } else {
                rig.slew = spi_word;
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
    on_spi(NULL, value, NULL);
}

static void on_portc(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    (void)param;
    note_level();
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
    if (rig.in_first != rig.in_last) {
        avr_raise_irq(uart_input, rig.in[rig.in_first]);
        rig.in_first = (rig.in_first + 1) % IN_RING;
        rig.in_cycle = when;
    }
    return when + FRAME;
}

/* Any reset, the watchdog's too, wipes what the rig has set. */
static void on_reset(avr_t *self)
{
    if (reset_of_core != NULL) {
        reset_of_core(self);
    }
    spi_select = 0;
    spi_at = 0;
    avr_cycle_timer_register(self, FRAME, feed, NULL);
    ++rig.resets;
}

/* Begin with the ELF file; 0, or below 0 when it cannot be used. */
int32_t rig_start(const char *path)
{
    elf_firmware_t firmware;
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
    avr->run_cycle_limit = 16000;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    spi_input = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
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
    rig.levels = 0;
    rig.out_length = 0;
    rig.in_first = rig.in_last = 0;
    avr_reset(avr);
    avr->data[MCUSR_DATA] = mcusr;
    /* Were PD2 or PD3 low, the library would look at them every cycle, in case an interrupt waited for that. */
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2), 1);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 3), 1);
}

/* Run up to a cycle; the state of the core: below 0 when it crashed or sleeps for ever. */
int32_t rig_run(uint64_t cycle)
{
    while (avr->cycle < cycle) {
        int state;
        uint64_t left = cycle - avr->cycle;
        avr->run_cycle_limit = left < 16000 ? left : 16000;
        state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            return -1;
        }
    }
    rig.portc = avr->data[PORTC_DATA];
    rig.fan = avr->data[OCR0A_DATA];
    return 0;
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
}

void rig_trigger(uint8_t level)
{
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 7), level);
}

/* Copy the store out, or in. */
void rig_store(uint8_t *bytes, uint32_t count, uint8_t write)
{
    avr_eeprom_desc_t store;
    store.ee = bytes;
    store.offset = 0;
    store.size = count;
    avr_ioctl(avr, write ? AVR_IOCTL_EEPROM_SET : AVR_IOCTL_EEPROM_GET, &store);
}

/* Where the core stands, in bytes. */
uint32_t rig_place(void)
{
    return avr->pc;
}
