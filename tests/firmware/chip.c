/* One simulated AVR for the tests: bytes and levels go in at known cycles, what the pins and the
 * UART did comes out with its cycle. A separate library over libsimavr (GPLv3), loaded by chip.py;
 * no part of the firmware.
 *
 * What simavr 1.6 does not do as the chip does, and what is done about it here:
 * - it times 8N1 as 11 bits: received bytes are handed over at the end of their own stop bit, and
 *   the time of a sent byte is set to 10 bits;
 * - it has room for 64 received bytes where the chip has 2: `unread` says how many were waiting;
 * - a reset forgets the levels that the outside drives: they are set again;
 * - it sleeps in real time and past the end of a run: neither here. */

#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <avr_adc.h>
#include <avr_eeprom.h>
#include <avr_ioport.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>

/* What an event is. A pin's place is port letter << 8 | bit. */
enum { PIN, SENT, HEARD, RESET };

struct event {
    uint64_t cycle;
    uint32_t what;
    uint32_t place; /* of a pin */
    uint32_t value; /* level, byte; of RESET the watchdog's flag */
};

enum { SEND_BYTE, DRIVE_PIN };

struct order {
    uint64_t cycle;
    uint32_t what;
    uint32_t place;
    uint32_t value;
};

typedef void (*pin_hook)(uint32_t place, uint32_t level);

struct watched {
    struct chip *chip;
    uint32_t place;
    bool hooked;
    avr_irq_t *irq;
};

enum { WATCHED_MOST = 24 };

struct chip {
    avr_t *avr;
    avr_uart_t *uart;
    struct event *events;
    size_t event_count, event_room;
    struct order *orders; /* a heap by cycle would be faster; they come nearly in order */
    size_t order_count, order_room, order_next;
    struct watched watched[WATCHED_MOST];
    unsigned watched_count;
    pin_hook hook;
    void (*core_reset)(avr_t *);
    uint64_t byte_cycles; /* as set here, to know when the firmware has set it */
    uint32_t unread_most;
    uint64_t off_since, off_longest; /* interrupts */
    uint32_t off_longest_pc;
    uint16_t lowest_stack;
    uint64_t stop_at; /* for which cycle a timer is set */
    bool begun; /* the firmware has enabled interrupts */
    uint32_t resets;
};

static struct chip *resetting; /* simavr's reset hook has no parameter of ours */

static void note(struct chip *chip, uint32_t what, uint32_t place, uint32_t value)
{
    if (chip->event_count == chip->event_room) {
        chip->event_room = chip->event_room ? 2 * chip->event_room : 1024;
        chip->events = realloc(chip->events, chip->event_room * sizeof *chip->events);
        if (!chip->events)
            abort();
    }
    chip->events[chip->event_count++] = (struct event){chip->avr->cycle, what, place, value};
}

static avr_io_t *module(avr_t *avr, const char *kind, char name)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        if (strcmp(io->kind, kind) != 0)
            continue;
        if (strcmp(kind, "port") == 0 && ((avr_ioport_t *)io)->name != name)
            continue;
        return io;
    }
    return NULL;
}

static avr_ioport_t *port_of(struct chip *chip, uint32_t place)
{
    return (avr_ioport_t *)module(chip->avr, "port", (char)(place >> 8));
}

static void pin_changed(avr_irq_t *irq, uint32_t value, void *parameter)
{
    struct watched *watched = parameter;
    (void)irq;
    if (watched->hooked && watched->chip->hook)
        watched->chip->hook(watched->place, value & 1);
    else
        note(watched->chip, PIN, watched->place, value & 1);
}

static void byte_sent(avr_irq_t *irq, uint32_t value, void *parameter)
{
    struct chip *chip = parameter;
    (void)irq;
    if (chip->uart->cycles_per_byte != chip->byte_cycles)
        chip->byte_cycles = chip->uart->cycles_per_byte = chip->uart->cycles_per_byte * 10 / 11;
    note(chip, SENT, 0, value);
}

static void no_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr;
    (void)cycles;
}

/* Due every cycle from the set one on, until it is set again: the sleep that the very instruction
 * of that cycle begins would go on to the next timer. */
static avr_cycle_count_t here(avr_t *avr, avr_cycle_count_t when, void *parameter)
{
    (void)avr;
    (void)parameter;
    return when + 1;
}

static void no_log(avr_t *avr, const int level, const char *format, va_list values)
{
    (void)avr;
    (void)level;
    (void)format;
    (void)values;
}

/* Pins float, or are what the outside holds them at. */
static void settle_pins(struct chip *chip)
{
    for (avr_io_t *io = chip->avr->io_port; io; io = io->next) {
        if (strcmp(io->kind, "port") != 0)
            continue;
        avr_ioport_t *port = (avr_ioport_t *)io;
        uint8_t level = port->external.pull_mask & port->external.pull_value;
        for (int bit = 0; bit < 8; bit++)
            avr_raise_irq(io->irq + bit, level >> bit & 1);
        chip->avr->data[port->r_pin] = level;
    }
}

static void core_was_reset(avr_t *avr)
{
    struct chip *chip = resetting;
    if (chip->core_reset)
        chip->core_reset(avr);
    chip->resets++;
    chip->stop_at = 0;
    chip->begun = false;
    note(chip, RESET, 0, chip->resets);
}

struct chip *chip_new(const char *elf, const char *mcu, uint32_t hz, uint32_t supply_mv)
{
    static elf_firmware_t none;
    elf_firmware_t firmware = none;
    avr_global_logger_set(no_log);
    if (elf_read_firmware(elf, &firmware) != 0)
        return NULL;
    avr_t *avr = avr_make_mcu_by_name(mcu);
    struct chip *chip = calloc(1, sizeof *chip);
    if (!avr || !chip)
        return NULL;
    avr_init(avr);
    strncpy(firmware.mmcu, mcu, sizeof firmware.mmcu - 1);
    firmware.frequency = hz;
    firmware.vcc = firmware.avcc = firmware.aref = supply_mv;
    avr_load_firmware(avr, &firmware);
    chip->avr = avr;
    chip->lowest_stack = avr->ramend;
    avr->sleep = no_sleep;
    chip->core_reset = avr->reset;
    avr->reset = core_was_reset;
    chip->uart = (avr_uart_t *)module(avr, "uart", '0');
    chip->uart->flags = 0; /* neither sleeps nor prints */
    avr_irq_register_notify(chip->uart->io.irq + UART_IRQ_OUTPUT, byte_sent, chip);
    return chip;
}

void chip_free(struct chip *chip)
{
    avr_terminate(chip->avr);
    free(chip->avr);
    free(chip->events);
    free(chip->orders);
    free(chip);
}

/* Reset by one of the causes of MCUSR, which this chip has at the place `mcusr`. */
void chip_reset(struct chip *chip, uint32_t mcusr, uint32_t causes)
{
    resetting = chip;
    avr_reset(chip->avr);
    chip->avr->data[mcusr] = (uint8_t)causes;
    settle_pins(chip);
}

void chip_set_hook(struct chip *chip, pin_hook hook)
{
    chip->hook = hook;
}

/* Note a pin's changes from now on, or give them to the hook at once. */
int chip_watch(struct chip *chip, uint32_t place, int hooked)
{
    avr_ioport_t *port = port_of(chip, place);
    if (!port || chip->watched_count == WATCHED_MOST)
        return -1;
    struct watched *watched = &chip->watched[chip->watched_count++];
    *watched = (struct watched){chip, place, hooked, port->io.irq + (place & 7)};
    avr_irq_register_notify(watched->irq, pin_changed, watched);
    return 0;
}

/* The outside holds a pin at a level from now on; an output wins. */
void chip_drive(struct chip *chip, uint32_t place, uint32_t level)
{
    avr_ioport_t *port = port_of(chip, place);
    uint8_t mask = (uint8_t)(1u << (place & 7));
    port->external.pull_mask |= mask;
    port->external.pull_value = (uint8_t)((port->external.pull_value & ~mask) | (level ? mask : 0));
    if (!(chip->avr->data[port->r_ddr] & mask))
        avr_raise_irq(port->io.irq + (place & 7), level);
}

void chip_set_adc(struct chip *chip, uint32_t channel, uint32_t millivolts)
{
    avr_raise_irq(avr_io_getirq(chip->avr, AVR_IOCTL_ADC_GETIRQ, (int)channel), millivolts);
}

/* Do something at a cycle to come; orders of one cycle keep their order. */
void chip_order(struct chip *chip, uint64_t cycle, uint32_t what, uint32_t place, uint32_t value)
{
    if (chip->order_next > 4096) {
        chip->order_count -= chip->order_next;
        memmove(chip->orders, chip->orders + chip->order_next,
                chip->order_count * sizeof *chip->orders);
        chip->order_next = 0;
    }
    if (chip->order_count == chip->order_room) {
        chip->order_room = chip->order_room ? 2 * chip->order_room : 1024;
        chip->orders = realloc(chip->orders, chip->order_room * sizeof *chip->orders);
        if (!chip->orders)
            abort();
    }
    size_t at = chip->order_count++;
    while (at > chip->order_next && chip->orders[at - 1].cycle > cycle) {
        chip->orders[at] = chip->orders[at - 1];
        at--;
    }
    chip->orders[at] = (struct order){cycle, what, place, value};
}

/* A byte's stop bit has ended: it can be read one cycle later. */
static void hand_over(struct chip *chip, uint8_t byte)
{
    avr_uart_t *uart = chip->uart;
    uint32_t unread = (uint32_t)(uart->input.write - uart->input.read) % uart_fifo_fifo_size;
    if (unread > chip->unread_most)
        chip->unread_most = unread;
    avr_cycle_count_t usual = uart->cycles_per_byte;
    uart->cycles_per_byte = 1;
    avr_raise_irq(uart->io.irq + UART_IRQ_INPUT, byte);
    uart->cycles_per_byte = usual;
    note(chip, HEARD, 0, byte);
}

static void carry_out(struct chip *chip, struct order order)
{
    if (order.what == SEND_BYTE)
        hand_over(chip, (uint8_t)order.value);
    else
        chip_drive(chip, order.place, order.value);
}

static void measure(struct chip *chip)
{
    avr_t *avr = chip->avr;
    uint16_t stack = (uint16_t)(avr->data[R_SPL] | avr->data[R_SPH] << 8);
    if (avr->sreg[S_I]) {
        if (chip->off_since && avr->cycle - chip->off_since > chip->off_longest) {
            chip->off_longest = avr->cycle - chip->off_since;
            chip->off_longest_pc = avr->pc;
        }
        chip->off_since = 0;
        chip->begun = true;
    } else if (chip->begun && !chip->off_since) {
        chip->off_since = avr->cycle;
    }
    if (chip->begun && stack < chip->lowest_stack)
        chip->lowest_stack = stack;
}

/* Run up to a cycle, or to the end of the instruction that passes it. Gives simavr's state: done,
 * crashed or stopped means that the firmware runs no more. */
int chip_run(struct chip *chip, uint64_t until)
{
    avr_t *avr = chip->avr;
    resetting = chip;
    while (avr->cycle < until) {
        uint64_t next = until;
        if (chip->order_next < chip->order_count) {
            struct order order = chip->orders[chip->order_next];
            if (order.cycle <= avr->cycle) {
                chip->order_next++;
                carry_out(chip, order);
                continue;
            }
            if (order.cycle < next)
                next = order.cycle;
        }
        if (chip->stop_at != next) { /* a sleep must not go on beyond it */
            chip->stop_at = next;
            avr_cycle_timer_register(avr, next - avr->cycle, here, chip);
        }
        uint32_t resets = chip->resets;
        int state = avr_run(avr);
        if (chip->resets != resets)
            settle_pins(chip);
        if (state == cpu_Done || state == cpu_Crashed || state == cpu_Stopped)
            return state;
        measure(chip);
    }
    return avr->state;
}

uint64_t chip_cycle(const struct chip *chip)
{
    return chip->avr->cycle;
}

size_t chip_event_count(const struct chip *chip)
{
    return chip->event_count;
}

/* Give the events noted so far, and forget them. */
void chip_take_events(struct chip *chip, struct event *into)
{
    memcpy(into, chip->events, chip->event_count * sizeof *into);
    chip->event_count = 0;
}

/* RAM and registers as one space, as the firmware addresses them. */
uint8_t *chip_memory(struct chip *chip)
{
    return chip->avr->data;
}

/* Program memory, to break the firmware. */
uint8_t *chip_flash(struct chip *chip)
{
    return chip->avr->flash;
}

uint32_t chip_ram_end(const struct chip *chip)
{
    return chip->avr->ramend;
}

/* Read (or, where `write`, write) EEPROM. Gives 0, or -1 where there is none. */
int chip_eeprom(struct chip *chip, uint8_t *bytes, uint32_t offset, uint32_t size, int write)
{
    avr_eeprom_desc_t described = {.ee = bytes, .offset = (uint16_t)offset, .size = size};
    /* simavr 1.6 gives -1 where it was done and -2 where it was not */
    return avr_ioctl(chip->avr, write ? AVR_IOCTL_EEPROM_SET : AVR_IOCTL_EEPROM_GET, &described)
        == -2 ? -1 : 0;
}

/* Since the firmware first enabled interrupts: the most bytes unread when another one was
 * complete; the longest stretch with interrupts off, in cycles, and where it ended; the lowest the
 * stack has been. */
void chip_figures(const struct chip *chip, uint64_t *figures)
{
    figures[0] = chip->unread_most;
    figures[1] = chip->off_longest;
    figures[2] = chip->off_longest_pc;
    figures[3] = chip->lowest_stack;
    figures[4] = chip->resets;
}
