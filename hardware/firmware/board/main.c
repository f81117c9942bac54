/* The board node: bytes and milliseconds from the chip to the rules. */

#include "chip.h"
#include "node.h"

/* The linker gives the revision as the address of this symbol (see the Makefile), so that it
 * changes no other byte of the image. */
extern char firmware_revision;

int main(void)
{
    static struct node node;

    chip_start();
    node_start(&node, chip_number(), chip_reset_causes(), (uint8_t)(uintptr_t)&firmware_revision);
    for (;;) {
        uint8_t byte;
        uint16_t at;
        while (chip_byte(&byte, &at))
            node_hear(&node, byte, at);
        if (chip_tick()) {
            node_tick(&node); /* the silence is checked here; nothing else feeds the watchdog */
            chip_feed_watchdog();
        }
        chip_rest();
    }
}
