/* The handset's messages on the chip: a frame comes in over the line, an answer goes out.
 *
 *   'S' session length bytes   8 bytes, and a STATE's frame; the answer is 1 and its 16 bytes as
 *                              read, or 0
 *   'W' length bytes           a WELCOME's frame; the answer is 1 and its 18 bytes as read, or 0
 *   'P' session PRESS          8 bytes, and the 15 of the body; the answer is the frame
 *   'H' HELLO                  the 8 of the body; the answer is the frame */

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include <string.h>

#include "bytes.h"
#include "frame.h"
#include "messages.h"

static uint8_t get(void)
{
    loop_until_bit_is_set(UCSR0A, RXC0);
    return UDR0;
}

static void put(const uint8_t *bytes, uint8_t length)
{
    while (length-- > 0) {
        loop_until_bit_is_set(UCSR0A, UDRE0);
        UDR0 = *bytes++;
    }
}

static uint8_t key[BLAKE2S_KEY];
static struct blake2s keyed;

static void make_key(uint8_t first)
{
    for (uint8_t at = 0; at < BLAKE2S_KEY; at++)
        key[at] = (uint8_t)(first + at);
    blake2s_start(&keyed, key);
}

static void get_all(uint8_t *bytes, uint8_t length)
{
    while (length-- > 0)
        *bytes++ = get();
}

/* The frame that comes next, after its length; gives the body's. */
static uint8_t get_frame(struct frame_receiver *receiver)
{
    uint8_t body = 0;
    *receiver = (struct frame_receiver){.length = 0};
    for (uint8_t left = get(); left > 0; left--) {
        uint8_t byte = get();
        if (body == 0)
            body = frame_take(receiver, byte);
    }
    return body;
}

static void read_state(void)
{
    struct frame_receiver receiver;
    struct state state;
    uint8_t session[SESSION], told[1 + STATE_SIGNED] = {0};
    make_key(0xF0);
    get_all(session, sizeof session);
    uint8_t length = get_frame(&receiver);
    if (length > 0 && state_read(&state, frame_body(&receiver), length, session, &keyed)) {
        told[0] = 1;
        told[1] = STATE;
        put_long(told + 2, state.beat);
        told[6] = state.phase;
        told[7] = state.numerals;
        put_word(told + 8, state.remaining_10ms);
        told[10] = state.flags;
        told[11] = state.mark;
        told[12] = state.cue;
        told[13] = state.ack_handset;
        put_word(told + 14, state.ack_counter);
        told[16] = state.result;
    }
    put(told, told[0] ? sizeof told : 1);
}

static void read_welcome(void)
{
    struct frame_receiver receiver;
    struct welcome welcome;
    uint8_t told[1 + WELCOME_SIGNED] = {0};
    make_key(0);
    uint8_t length = get_frame(&receiver);
    if (length > 0 && welcome_read(&welcome, frame_body(&receiver), length, &keyed)) {
        told[0] = 1;
        told[1] = WELCOME;
        told[2] = welcome.handset;
        put_long(told + 3, welcome.counter);
        memcpy(told + 7, welcome.session, SESSION);
        put_long(told + 15, welcome.beat);
    }
    put(told, told[0] ? sizeof told : 1);
}

static void make_press(void)
{
    uint8_t session[SESSION], body[PRESS_SIGNED], frame[PRESS_FRAME];
    get_all(session, sizeof session);
    get_all(body, sizeof body);
    const struct press press = {
        .handset = body[1],
        .counter = long_at(body + 2),
        .keys = word_at(body + 6),
        .age_10ms = body[8],
        .beat = long_at(body + 9),
        .battery = body[13],
        .margin = body[14],
    };
    make_key(0);
    press_write(frame, &press, session, &keyed);
    put(frame, sizeof frame);
}

static void make_hello(void)
{
    uint8_t body[HELLO_SIGNED], frame[HELLO_FRAME];
    get_all(body, sizeof body);
    const struct hello hello = {body[1], long_at(body + 2), body[6], body[7]};
    make_key(0);
    hello_write(frame, &hello, &keyed);
    put(frame, sizeof frame);
}

int main(void)
{
    UBRR0 = 12;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0;
    sei();
    for (;;) {
        switch (get()) {
        case 'S':
            read_state();
            break;
        case 'W':
            read_welcome();
            break;
        case 'P':
            make_press();
            break;
        case 'H':
            make_hello();
            break;
        default:
            break;
        }
    }
}
