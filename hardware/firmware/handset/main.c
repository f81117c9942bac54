/* The handset: bytes, key edges and milliseconds from the chip to the logic. */

#include "chip.h"
#include "handset.h"

/* The linker gives the revision as the address of this symbol (see the Makefile), so that it
 * changes no other byte of the image. */
extern char firmware_revision;

static struct handset handset;

static void take_what_came(void)
{
    uint8_t byte;
    uint16_t keys;
    uint32_t at;
    if (chip_byte(&byte))
        handset_hear(&handset, byte, chip_now());
    while (chip_key(&keys, &at)) /* last: a frame's tag takes 2 ms, and the tick that comes next sends */
        handset_press(&handset, keys, at, chip_now());
}

int main(void)
{
    chip_start(&LAYOUT);
    uint16_t seed = chip_noise();
    handset_start(&handset, &LAYOUT, chip_contacts(), chip_started_by_power(), seed,
                  (uint8_t)(uintptr_t)&firmware_revision, chip_now());
    uint32_t ticked_at = chip_now();
    for (;;) {
        take_what_came();
        if (chip_now() != ticked_at) {
            ticked_at = chip_now();
            handset_tick(&handset, chip_since_start(), ticked_at);
            chip_feed_watchdog(); /* only from here, where cues and the link's end are looked at */
            if (handset_may_sleep(&handset))
                chip_sleep();
        }
        chip_rest();
    }
}
