#include "battery.h"

#include "messages.h"

enum { LOWEST_MV = 1500 }; /* below it the chip's regulator could not run it: the divider is open */

/* Three alkaline AA cells in series at some 30 mA (radio receiving 25, chip 4, cues 1 on the
 * average), 20 °C, down to 3.4 V, where the regulator begins to drop out. From memory of makers'
 * discharge curves, one cell of 2.5 Ah at 25 mA to 50 mA: 1.45 V is nearly full, 1.3 V half, 1.2
 * V a fifth, 1.13 V a tenth. README.md, "Handset", says how to measure it; cold takes a third or
 * more. */
static const struct {
    uint16_t mv;
    uint8_t hours;
} curve[] = {
    {3400, 0}, {3450, 2}, {3510, 5}, {3600, 11}, {3750, 22},
    {3900, 34}, {4050, 46}, {4200, 56}, {4350, 63}, {4650, 70},
};

uint8_t battery_hours(uint16_t mv)
{
    const uint8_t points = sizeof curve / sizeof *curve;
    if (mv < LOWEST_MV)
        return BATTERY_UNKNOWN;
    if (mv <= curve[0].mv)
        return 0;
    for (uint8_t at = 1; at < points; at++) {
        if (mv < curve[at].mv) {
            uint16_t over_mv = mv - curve[at - 1].mv, step_mv = curve[at].mv - curve[at - 1].mv;
            uint8_t step_hours = (uint8_t)(curve[at].hours - curve[at - 1].hours);
            return (uint8_t)(curve[at - 1].hours + (uint32_t)over_mv * step_hours / step_mv);
        }
    }
    return curve[points - 1].hours;
}
