#include "frame.h"

#include <string.h>

#ifdef __AVR__
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#define FLASH_WORD(place) pgm_read_dword(place)
#else
#define IN_FLASH
#define FLASH_WORD(place) (*(place))
#endif

/* The CRC-32 of IEEE 802.3, its polynomial reflected: EDB88320. What each value of the low four
 * bits adds once they are shifted out. */
static const uint32_t shifted_out[16] IN_FLASH = {
    0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
    0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C,
};

static uint32_t crc_of(const uint8_t *body, uint8_t length)
{
    uint32_t crc = 0xFFFFFFFF;
    while (length--) {
        crc ^= *body++;
        crc = crc >> 4 ^ FLASH_WORD(&shifted_out[crc & 0x0F]);
        crc = crc >> 4 ^ FLASH_WORD(&shifted_out[crc & 0x0F]);
    }
    return ~crc;
}

static void put_crc(uint8_t *bytes, uint32_t crc)
{
    bytes[0] = (uint8_t)(crc >> 24);
    bytes[1] = (uint8_t)(crc >> 16);
    bytes[2] = (uint8_t)(crc >> 8);
    bytes[3] = (uint8_t)crc;
}

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
    const uint8_t *body = frame_body(receiver);
    uint8_t length = receiver->length;
    uint8_t crc[FRAME_CRC];
    if (length < 2u + FRAME_CRC || !unstuff(receiver->run, length))
        return 0;
    length = (uint8_t)(length - 1u - FRAME_CRC);
    put_crc(crc, crc_of(body, length));
    bool whole = memcmp(crc, body + length, FRAME_CRC) == 0;
    return whole && body[0] >> 4 == FRAME_VERSION ? length : 0;
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
    memcpy(frame + 2, body, length);
    put_crc(frame + 2 + length, crc_of(body, length));

    uint8_t end = (uint8_t)(length + 2u + FRAME_CRC); /* of the closing 00 */
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
