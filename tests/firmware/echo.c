/* The common framing on a chip, for the tests: every good body is sent back in a frame of its own,
 * and for every bad frame one byte 55. ATmega328P at 16 MHz. */

#include <avr/io.h>

#include "frame.h"

static void send(uint8_t byte)
{
    loop_until_bit_is_set(UCSR0A, UDRE0);
    UDR0 = byte;
}

int main(void)
{
    static struct frame_receiver receiver;
    static uint8_t frame[FRAME_LENGTH(FRAME_LONGEST_BODY)];

    UBRR0 = 25;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0;
    for (;;) {
        loop_until_bit_is_set(UCSR0A, RXC0);
        uint8_t bad = receiver.bad;
        uint8_t length = frame_take(&receiver, UDR0);
        if (length > 0) {
            uint8_t end = frame_write(frame, frame_body(&receiver), length);
            for (uint8_t at = 0; at < end; at++)
                send(frame[at]);
        } else if (receiver.bad != bad) {
            send(0x55);
        }
    }
}
