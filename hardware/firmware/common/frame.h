/* Frames on either link, 00 COBS(body CRC) 00, as hardware/PROTOCOL.md says under "Framing".
 *
 * Pure C11 without allocation: the same code runs on the chip and in the tests on a PC. */

#ifndef FRAME_H
#define FRAME_H

#include <stdbool.h>
#include <stdint.h>

/* Of the protocol: the high nibble of every body's first byte. */
#define FRAME_VERSION 2u

/* Most bytes between two delimiters. */
#define FRAME_LONGEST_RUN 64u

/* Bytes of CRC behind the body. */
#define FRAME_CRC 4u

/* COBS takes one byte more. */
#define FRAME_LONGEST_BODY (FRAME_LONGEST_RUN - FRAME_CRC - 1u)

/* Bytes on the wire of a body of `length` bytes, both delimiters included. */
#define FRAME_LENGTH(length) ((length) + FRAME_CRC + 3u)

/* A receiver. All zeros is a receiver that has heard nothing. */
struct frame_receiver {
    uint8_t run[FRAME_LONGEST_RUN]; /* what came since the last 00 */
    uint8_t length;                 /* of the run so far */
    bool overlong;                  /* the run is too long: dropped up to the next 00 */
    uint8_t bad;                    /* frames dropped: CRC, COBS, length, version; modulo 256 */
};

/* Take one byte of the line. Gives the length, 1-59, of the body that it completes, to be read
 * at frame_body() before the next byte is taken; else 0. */
uint8_t frame_take(struct frame_receiver *receiver, uint8_t byte);

/* The body that frame_take() has just completed. */
static inline const uint8_t *frame_body(const struct frame_receiver *receiver)
{
    return receiver->run + 1;
}

/* Write the frame of `body`, of 1-59 bytes, into `frame`, which must have room for
 * FRAME_LENGTH(length) bytes. Gives how many it wrote, or 0 where the length is out of range. */
uint8_t frame_write(uint8_t *frame, const uint8_t *body, uint8_t length);

#endif
