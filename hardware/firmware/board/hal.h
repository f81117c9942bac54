/* What the rules of a node (node.c) need of the hardware. hal_avr.c is the chip; the tests on a
 * PC bring their own. */

#ifndef HAL_H
#define HAL_H

#include <stdint.h>

/* What the node measures, as STATUS carries it; each but the supply can be without. */
enum {
    CURRENT_NOT_MEASURED = 0xFFFF,
    TEMPERATURE_NOT_MEASURED = 0x80,
    LIGHT_NOT_MEASURED = 0xFF,
};

struct readings {
    uint8_t supply_dv;   /* of the lamps, 0.1 V; 255 is 25.5 V or more */
    uint16_t tens_ma;    /* drawn by the lamps of the tens */
    uint16_t units_ma;   /* the same of the units */
    uint8_t temperature; /* in the case, degrees C in two's complement */
    uint8_t light;       /* 15 * log2(lux) */
};

/* Shift 16 lamps into the chain of drivers, and give the 16 that come out of its end: those
 * shifted in before. Bits 15-8 are the tens, 7-0 the units, as PROTOCOL.md says under "Lamps".
 * What is lit does not change. */
uint16_t hal_shift(uint16_t lamps);

/* Light what the chain holds, both digits on one edge. */
void hal_latch(void);

/* Set the brightness of all lamps, 1-15; 0 is dark whatever is latched. */
void hal_brighten(uint8_t brightness);

/* Fill in what is measured. */
void hal_measure(struct readings *readings);

/* Send `frame`, a whole STATUS, so that its first byte starts 2.0-3.0 ms after the byte that came at `heard_at`, in
 * one piece, with the driver on for no longer. Not sent where it is too late for that, another one
 * is under way or the length is not that of a STATUS. The frame is copied. */
void hal_answer(const uint8_t *frame, uint8_t length, uint16_t heard_at);

#endif
