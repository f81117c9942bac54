#include "frame.h"

#include "crc.h"

/* Undo COBS in place: each code byte becomes the zero that it stands for, so that the data
 * stands behind the first one. False where a code leads past the end. */
static bool unstuff(uint8_t *run, uint8_t length)
{
    uint8_t at = 0;
    while (at < length) {
        uint8_t code = run[at]; /* never 0: that is the delimiter */
        if (code > (uint8_t)(length - at))
            return false;
        run[at] = 0;
        at = (uint8_t)(at + code);
    }
    return true;
}

/* The length of the body in the finished run, or 0 where the frame is bad. */
static uint8_t open_run(struct frame_receiver *receiver)
{
    uint8_t length = receiver->length;
    if (length < 4 || !unstuff(receiver->run, length))
        return 0;
    uint16_t crc = CRC_INITIAL;
    for (uint8_t at = 1; at < length; at++)
        crc = crc_update(crc, receiver->run[at]);
    return crc == 0 ? (uint8_t)(length - 3) : 0;
}

uint8_t frame_take(struct frame_receiver *receiver, uint8_t byte)
{
    uint8_t body = 0;
    if (byte != 0) {
        if (receiver->overlong)
            return 0;
        if (receiver->length < FRAME_LONGEST_RUN) {
            receiver->run[receiver->length++] = byte;
            return 0;
        }
        receiver->overlong = true;
        receiver->bad++;
    } else if (receiver->overlong) {
        receiver->overlong = false;
    } else if (receiver->length > 0) {
        body = open_run(receiver);
        if (body == 0)
            receiver->bad++;
    }
    receiver->length = 0;
    return body;
}

uint8_t frame_write(uint8_t *frame, const uint8_t *body, uint8_t length)
{
    if (length == 0 || length > FRAME_LONGEST_BODY)
        return 0;
    uint16_t crc = CRC_INITIAL;
    for (uint8_t at = 0; at < length; at++) {
        frame[at + 2] = body[at];
        crc = crc_update(crc, body[at]);
    }
    frame[length + 2] = (uint8_t)(crc >> 8);
    frame[length + 3] = (uint8_t)crc;

    uint8_t end = (uint8_t)(length + 4); /* of the closing 00 */
    uint8_t code_at = 1;
    for (uint8_t at = 2; at < end; at++) {
        if (frame[at] == 0) {
            frame[code_at] = (uint8_t)(at - code_at);
            code_at = at;
        }
    }
    frame[code_at] = (uint8_t)(end - code_at);
    frame[0] = 0;
    frame[end] = 0;
    return (uint8_t)(end + 1);
}
