/* The handset's hardware: ATmega328P at 8 MHz, pins as in PINS.md. "DS" is the data sheet of the
 * ATmega48A/PA/88A/PA/168A/PA/328/P, by its section titles. */

#include "chip.h"
#include "frame.h"
#include "hal.h"
#include "keys.h"
#include "pairing.h"
#include "pins.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>
#include <util/delay.h>

/* avr-libc works out UBRR and the error from these two. */
#define BAUD 38400
#define BAUD_TOL 1 /* % */
#include <util/setbaud.h>

enum {
    HEARD_SIZE = 64, /* powers of two; 17 ms of line, in which two tags are made */
    EDGES_SIZE = 8,
    LONGEST_FRAME = FRAME_LENGTH(HERE_LENGTH),

    /* A key's 10 nF (PINS.md) is charged through a pull-up of 20-50 kohm (DS, "DC Characteristics"):
     * the pin reads open after 0.5 ms at most, 0.6 of the supply. */
    KEYS_CHARGE_MS = 2,
};

/* Reset */

static uint8_t reset_causes;

/* After a reset by the watchdog it runs on at its shortest period, 16 ms (DS, "Watchdog System
 * Reset"). */
static void start_watchdog(void)
{
    reset_causes = MCUSR;
    MCUSR = 0; /* while it says WDRF, the watchdog cannot be set */
    wdt_enable(WDTO_1S);
    wdt_reset(); /* the first period shall have the new length, too */
}

bool chip_started_by_power(void)
{
    return !(reset_causes & 1 << WDRF);
}

void chip_feed_watchdog(void)
{
    wdt_reset();
}

void hal_restart(void)
{
    wdt_enable(WDTO_15MS);
    for (;;)
        ;
}

/* Keys and time */

struct edge {
    uint16_t keys;
    uint32_t at;
};

static struct keys keys;
static volatile struct edge edges[EDGES_SIZE];
static volatile uint8_t edges_in, edges_out;
static volatile uint32_t now;

/* Every key has its bit in PROTOCOL.md's order: PC0-PC4, PB0, PD2-PD7. */
uint16_t chip_contacts(void)
{
    uint8_t c = (uint8_t)~PINC & KEYS_C, b = (uint8_t)~PINB & KEYS_B, d = (uint8_t)~PIND & KEYS_D;
    return (uint16_t)(c | (uint16_t)b << 5 | (uint16_t)d << 4);
}

static void put_edges(uint16_t which, uint16_t held)
{
    for (uint16_t key = 1; which != 0; key = (uint16_t)(key << 1)) {
        if (!(which & key))
            continue;
        which &= (uint16_t)~key;
        uint8_t in = edges_in;
        if ((uint8_t)(in - edges_out) >= EDGES_SIZE)
            return; /* full: the newest is lost */
        edges[in % EDGES_SIZE].keys = key | held;
        edges[in % EDGES_SIZE].at = now;
        edges_in = (uint8_t)(in + 1);
    }
}

ISR(TIMER2_COMPA_vect)
{
    now++;
    struct key_edges came = keys_sample(&keys, chip_contacts());
    if (came.went_down | came.held) {
        put_edges(came.went_down, 0);
        put_edges(came.held, KEY_HELD);
    }
}

uint32_t chip_now(void)
{
    uint32_t at;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        at = now;
    return at;
}

uint16_t chip_since_start(void)
{
    uint16_t since_start;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        since_start = keys.since_start;
    return since_start;
}

bool chip_key(uint16_t *which, uint32_t *at)
{
    uint8_t out = edges_out;
    if (out == edges_in)
        return false;
    *which = edges[out % EDGES_SIZE].keys;
    *at = edges[out % EDGES_SIZE].at;
    edges_out = (uint8_t)(out + 1);
    return true;
}

/* Line */

static volatile uint8_t heard[HEARD_SIZE];
static volatile uint8_t heard_in, heard_out;

ISR(USART_RX_vect)
{
    uint8_t in = heard_in, byte = UDR0; /* read in any case, or the interrupt would come again */
    if ((uint8_t)(in - heard_out) >= HEARD_SIZE)
        return; /* full: the newest is lost, and the CRC shows it */
    heard[in % HEARD_SIZE] = byte;
    heard_in = (uint8_t)(in + 1);
}

bool chip_byte(uint8_t *byte)
{
    uint8_t out = heard_out;
    if (out == heard_in)
        return false;
    *byte = heard[out % HEARD_SIZE];
    heard_out = (uint8_t)(out + 1);
    return true;
}

static uint8_t sending[LONGEST_FRAME];
static uint8_t sending_length;
static volatile uint8_t sent;

bool hal_is_sending(void)
{
    return sent < sending_length;
}

void hal_send(const uint8_t *frame, uint8_t length)
{
    if (hal_is_sending() || length > sizeof sending)
        return;
    for (uint8_t at = 0; at < length; at++)
        sending[at] = frame[at];
    sent = 0;
    sending_length = length;
    UCSR0B |= 1 << UDRIE0;
}

ISR(USART_UDRE_vect)
{
    UDR0 = sending[sent];
    if (++sent >= sending_length)
        UCSR0B &= (uint8_t)~(1 << UDRIE0);
}

void hal_connect(enum line line)
{
    if (line == LINE_RADIO)
        PORTB |= RADIO_ON;
    else
        PORTB &= (uint8_t)~RADIO_ON;
    if (line == LINE_OFF) {
        UCSR0B = 0; /* TXD low and RXD without its pull-up: a radio without supply gets none by them */
        PORTD &= (uint8_t)~(TXD | RXD);
    } else {
        PORTD |= TXD | RXD;
        UCSR0B = 1 << RXCIE0 | 1 << RXEN0 | 1 << TXEN0;
    }
}

/* Rest */

void chip_rest(void)
{
    static uint32_t rested_at;
    cli();
    if (heard_out == heard_in && edges_out == edges_in && now == rested_at) {
        SMCR = 0; /* idle: timer and UART go on */
        sleep_enable();
        sei(); /* takes effect after the next instruction: nothing comes between */
        sleep_cpu();
        sleep_disable();
        cli();
    }
    rested_at = now;
    sei();
}

/* They only wake the chip. */
ISR(PCINT0_vect)
{
}

ISR(PCINT1_vect)
{
}

ISR(PCINT2_vect)
{
}

/* With the clocks stopped a change of any key's pin wakes the chip (DS, "Sleep Modes"), and the
 * next tick finds the key down, if it still is. The watchdog would end the sleep, so it rests as
 * well, and so does the brown-out detector, which comes back before the first instruction (DS,
 * "BOD Disable"). */
void chip_sleep(void)
{
    wdt_disable();
    PCIFR = 1 << PCIF0 | 1 << PCIF1 | 1 << PCIF2;
    PCICR = 1 << PCIE0 | 1 << PCIE1 | 1 << PCIE2;
    cli();
    /* Not while a key bounces or an edge waits. */
    if (chip_contacts() == keys.down && edges_out == edges_in) {
        SMCR = 1 << SM1; /* power-down */
        sleep_enable();
        sleep_bod_disable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
    PCICR = 0;
    wdt_enable(WDTO_1S);
}

/* Start */

void chip_start(const struct layout *layout)
{
    start_watchdog();

    PORTB = KEYS_B | MISO; /* pull-ups; motor, radio and lamps off before they are outputs */
    DDRB = MOTOR | RADIO_ON | WRIST_LAMP | LAMP;
    PORTC = KEYS_C;
    PORTD = KEYS_D;
    DDRD = TXD;
    EICRA = 1 << ISC11 | 1 << ISC01; /* PD2 and PD3: INT0 and INT1, by edge, are at rest */
    PCMSK0 = KEYS_B;
    PCMSK1 = KEYS_C;
    PCMSK2 = KEYS_D;

    OCR2A = 124; /* 8 MHz / 64 / 125 = 1 kHz */
    TCCR2A = 1 << WGM21;
    TCCR2B = 1 << CS22;
    TIMSK2 = 1 << OCIE2A;

    ACSR = 1 << ACD; /* what is not used draws no current */
    PRR = 1 << PRTWI | 1 << PRTIM0 | 1 << PRTIM1 | 1 << PRSPI;

    UBRR0 = UBRR_VALUE;
#if USE_2X
#error "38,400 baud needs no double speed at 8 MHz"
#endif
    UCSR0C = 1 << UCSZ01 | 1 << UCSZ00;

    _delay_ms(KEYS_CHARGE_MS);
    keys_start(&keys, layout, chip_contacts());
    sei();
}
