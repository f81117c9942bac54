/* The CRC of what is kept: polynomial 1021, initial value FFFF, not reflected, not inverted. */

#ifndef CRC_H
#define CRC_H

#include <stdint.h>

#define CRC_INITIAL 0xFFFFu

#ifdef __AVR__
#include <util/crc16.h>

static inline uint16_t crc_update(uint16_t crc, uint8_t byte)
{
    return _crc_xmodem_update(crc, byte);
}
#else
/* The equivalent that avr-libc's documentation of _crc_xmodem_update gives. */
static inline uint16_t crc_update(uint16_t crc, uint8_t byte)
{
    crc ^= (uint16_t)(byte << 8);
    for (uint8_t bit = 0; bit < 8; bit++)
        crc = (uint16_t)((unsigned)crc << 1 ^ (crc & 0x8000u ? 0x1021u : 0u));
    return crc;
}
#endif

#endif
