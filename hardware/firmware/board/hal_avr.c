/* The board node's hardware: ATmega328P at 16 MHz, pins as in PINS.md. "DS" is the data sheet of
 * the ATmega48A/PA/88A/PA/168A/PA/328/P, by its section titles. */

#include "chip.h"
#include "frame.h"
#include "hal.h"
#include "node.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include <string.h>

/* avr-libc works out UBRR and the error from these two. */
#define BAUD 38400
#define BAUD_TOL 1 /* % */
#include <util/setbaud.h>

enum {
    CHAIN_DATA = 1 << PB0,
    CHAIN_CLOCK = 1 << PB1,
    CHAIN_LATCH = 1 << PB2,

    NUMBER_JUMPERS = 1 << PC0 | 1 << PC1 | 1 << PC2,
    DRIVE = 1 << PC3,
    CHAIN_RETURN = 1 << PC4,
    SUPPLY_CHANNEL = 5,

    BLANK = 1 << PD6,
    UNUSED_D = 1 << PD2 | 1 << PD3 | 1 << PD4 | 1 << PD5 | 1 << PD7,

    BRIGHTEST = 15,

    /* From the interrupt of SHOW's last byte to the start of the answer, in 4 us: 2.4 ms. */
    TURN_ROUND = 600,
    TOO_LATE = TURN_ROUND - 25,

    HEARD_SIZE = 32, /* a power of two; two whole SHOWs */
    STATUS_FRAME = FRAME_LENGTH(NODE_STATUS_LENGTH),
};

/* Reset */

static uint8_t reset_causes;

/* After a reset by the watchdog it runs on at its shortest period, 16 ms (DS, "Watchdog System
 * Reset"): long enough for the start-up code, as RAM is cleared in 0.1 ms. */
static void start_watchdog(void)
{
    reset_causes = MCUSR;
    MCUSR = 0; /* while it says WDRF, the watchdog cannot be set */
    wdt_enable(WDTO_120MS);
}

uint8_t chip_reset_causes(void)
{
    return reset_causes;
}

void chip_feed_watchdog(void)
{
    wdt_reset();
}

/* Lamps */

uint16_t hal_shift(uint16_t lamps)
{
    uint16_t out = (uint16_t)(lamps << 8 | lamps >> 8); /* units are the far end of the chain */
    uint16_t in = 0;
    for (uint8_t bit = 0; bit < 16; bit++) {
        in = (uint16_t)(in << 1);
        if (PINC & CHAIN_RETURN)
            in |= 1;
        if (out & 0x8000u)
            PORTB |= CHAIN_DATA;
        else
            PORTB &= (uint8_t)~CHAIN_DATA;
        PORTB |= CHAIN_CLOCK;
        out = (uint16_t)(out << 1);
        PORTB &= (uint8_t)~CHAIN_CLOCK;
    }
    return (uint16_t)(in << 8 | in >> 8);
}

void hal_latch(void)
{
    PORTB |= CHAIN_LATCH;
    PORTB &= (uint8_t)~CHAIN_LATCH;
}

/* Lit share of a period in 1/256, less one: equal ratios from 8/256 up, as the eye sees steps. */
static const uint8_t lit_part[BRIGHTEST] = {
    0, 7, 9, 12, 16, 21, 27, 34, 44, 57, 73, 94, 121, 155, 199,
};

void hal_brighten(uint8_t brightness)
{
    static uint8_t now;
    if (brightness == now)
        return;
    now = brightness;
    if (brightness == 0 || brightness >= BRIGHTEST) {
        if (brightness == 0)
            PORTD |= BLANK;
        else
            PORTD &= (uint8_t)~BLANK;
        TCCR0A = 1 << WGM01 | 1 << WGM00; /* the pin is the port's again */
        TCCR0B = 0;
    } else {
        OCR0A = lit_part[brightness];
        /* Low from the bottom, high from the match (DS, "Fast PWM Mode", inverting). */
        TCCR0A = 1 << COM0A1 | 1 << COM0A0 | 1 << WGM01 | 1 << WGM00;
        TCCR0B = 1 << CS01; /* 16 MHz / 8 / 256: 128 us */
        PORTD |= BLANK;     /* what the pin is when the timer lets go of it */
    }
}

/* Readings */

static uint16_t supply_sum; /* of 16 conversions, sliding */

void hal_measure(struct readings *readings)
{
    *readings = (struct readings){
        .supply_dv = (uint8_t)(((uint32_t)supply_sum * 255 + (1 << 13)) >> 14),
        .tens_ma = CURRENT_NOT_MEASURED,
        .units_ma = CURRENT_NOT_MEASURED,
        .temperature = TEMPERATURE_NOT_MEASURED,
        .light = LIGHT_NOT_MEASURED,
    };
}

static void take_supply(void)
{
    supply_sum = (uint16_t)(supply_sum - (supply_sum >> 4) + ADC);
    ADCSRA |= 1 << ADSC;
}

static void start_supply(void)
{
    ADMUX = 1 << REFS0 | SUPPLY_CHANNEL; /* against AVCC */
    DIDR0 = 1 << SUPPLY_CHANNEL;
    ADCSRA = 1 << ADEN | 1 << ADSC | 1 << ADPS2 | 1 << ADPS1 | 1 << ADPS0; /* at 125 kHz */
    loop_until_bit_is_clear(ADCSRA, ADSC);
    supply_sum = (uint16_t)(ADC << 4);
    ADCSRA |= 1 << ADSC;
}

/* Line */

struct heard {
    uint8_t byte;
    uint16_t at;
};

/* Volatile, places and bytes: a place is free only when its byte has been read, and its byte is
 * there before the place counts. */
static volatile struct heard heard[HEARD_SIZE];
static volatile uint8_t heard_in;
static volatile uint8_t heard_out;

/* 4 us a step, modulo 262 ms. Interrupts are off where it is called. */
static uint16_t instant(void)
{
    return TCNT1;
}

ISR(USART_RX_vect)
{
    uint8_t in = heard_in;
    uint8_t byte = UDR0; /* in any case, or the interrupt would come again at once */
    if ((uint8_t)(in - heard_out) == HEARD_SIZE)
        return; /* the newest byte is lost, and the CRC shows it */
    heard[in % HEARD_SIZE].byte = byte;
    heard[in % HEARD_SIZE].at = instant();
    heard_in = (uint8_t)(in + 1);
}

bool chip_byte(uint8_t *byte, uint16_t *at)
{
    uint8_t out = heard_out;
    if (out == heard_in)
        return false;
    *byte = heard[out % HEARD_SIZE].byte;
    *at = heard[out % HEARD_SIZE].at;
    heard_out = (uint8_t)(out + 1);
    return true;
}

static uint8_t sending[STATUS_FRAME];
static uint8_t sent;
static volatile bool answering; /* from the order to send until the driver is off */

void hal_answer(const uint8_t *frame, uint8_t length, uint16_t heard_at)
{
    if (answering || length != sizeof sending)
        return;
    memcpy(sending, frame, sizeof sending);
    cli();
    if ((uint16_t)(instant() - heard_at) < TOO_LATE) {
        answering = true;
        OCR1B = (uint16_t)(heard_at + TURN_ROUND);
        TIFR1 = 1 << OCF1B;
        TIMSK1 = 1 << OCIE1B;
    }
    sei();
}

ISR(TIMER1_COMPB_vect)
{
    TIMSK1 = 0;
    PORTC |= DRIVE;
    sent = 0;
    UCSR0B |= 1 << UDRIE0;
}

ISR(USART_UDRE_vect)
{
    UDR0 = sending[sent];
    if (++sent == sizeof sending) {
        UCSR0A = 1 << TXC0; /* of an earlier byte */
        UCSR0B = (uint8_t)((UCSR0B & ~(1 << UDRIE0)) | 1 << TXCIE0);
    }
}

/* The last stop bit is out. */
ISR(USART_TX_vect)
{
    PORTC &= (uint8_t)~DRIVE;
    UCSR0B &= (uint8_t)~(1 << TXCIE0);
    answering = false;
}

/* Time */

static volatile uint8_t ticks;
static uint8_t ticks_taken;

ISR(TIMER2_COMPA_vect)
{
    ticks++;
}

bool chip_tick(void)
{
    if (ticks == ticks_taken)
        return false;
    ticks_taken++;
    take_supply();
    return true;
}

void chip_rest(void)
{
    cli();
    if (heard_out == heard_in && ticks == ticks_taken) {
        sleep_enable();
        sei(); /* takes effect after the next instruction: nothing comes between */
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

uint8_t chip_number(void)
{
    return (uint8_t)(1 + (~PINC & NUMBER_JUMPERS));
}

void chip_start(void)
{
    start_watchdog();

    PORTD = BLANK | UNUSED_D | 1 << PD0; /* high before it is an output: dark */
    DDRD = BLANK;
    DDRB = CHAIN_DATA | CHAIN_CLOCK | CHAIN_LATCH;
    PORTC = NUMBER_JUMPERS;
    DDRC = DRIVE;

    TCCR1B = 1 << CS11 | 1 << CS10; /* instants: 16 MHz / 64 */
    OCR2A = 249;                    /* ticks: 16 MHz / 64 / 250 */
    TCCR2A = 1 << WGM21;
    TCCR2B = 1 << CS22;
    TIMSK2 = 1 << OCIE2A;

    UBRR0 = UBRR_VALUE;
#if USE_2X
#error "38,400 baud needs no double speed at 16 MHz"
#endif
    UCSR0C = 1 << UCSZ01 | 1 << UCSZ00;
    UCSR0B = 1 << RXCIE0 | 1 << RXEN0 | 1 << TXEN0;

    start_supply();
    SMCR = 0; /* idle: timers, UART and converter go on */
    sei();
}
