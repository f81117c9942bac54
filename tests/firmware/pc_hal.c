#include "pc_hal.h"

#include <assert.h>
#include <string.h>

struct pc_hardware hardware;

uint16_t hal_shift(uint16_t lamps)
{
    uint16_t out = hardware.chain;
    hardware.chain = lamps;
    return out;
}

void hal_latch(void)
{
    hardware.latched = hardware.chain;
    hardware.chain |= hardware.upset;
    hardware.latches++;
}

void hal_brighten(uint8_t brightness)
{
    assert(brightness <= 15);
    hardware.brightness = brightness;
}

void hal_measure(struct readings *readings)
{
    *readings = hardware.readings;
}

void hal_answer(const uint8_t *frame, uint8_t length, uint16_t heard_at)
{
    assert(length > 0 && length <= sizeof hardware.answer);
    memcpy(hardware.answer, frame, length);
    hardware.answer_length = length;
    hardware.answer_at = heard_at;
    hardware.answers++;
}
