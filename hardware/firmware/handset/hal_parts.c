/* The handset's lamps, motor, battery and lasting memory: pins as in PINS.md. "DS" as in
 * hal_avr.c. */

#include <avr/eeprom.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "chip.h"
#include "hal.h"
#include "pins.h"

enum {
    SUPPLY_MV = 3300,
    DIVIDER = 2, /* the battery reaches the converter halved */
};

/* Lamps and motor */

static void set_port_b(uint8_t pin, bool on)
{
    if (on)
        PORTB |= pin;
    else
        PORTB &= (uint8_t)~pin;
}

void hal_move(bool on)
{
    set_port_b(MOTOR, on);
}

void hal_light(bool on)
{
    set_port_b(LAMP, on);
}

void hal_light_wrist(bool on)
{
    set_port_b(WRIST_LAMP, on);
}

/* Battery */

static uint16_t convert(void)
{
    ADCSRA |= 1 << ADSC;
    loop_until_bit_is_clear(ADCSRA, ADSC);
    return ADC;
}

static void start_converter(void)
{
    ADMUX = 1 << REFS0 | BATTERY_CHANNEL; /* against AVCC */
    DIDR0 = 1 << BATTERY_CHANNEL;
    ADCSRA = 1 << ADEN | 1 << ADPS2 | 1 << ADPS1; /* 8 MHz / 64 = 125 kHz: 0.1 ms a conversion */
}

uint16_t hal_battery_mv(void)
{
    start_converter();
    convert(); /* the first one after it is switched on may be off */
    uint16_t sum = 0;
    for (uint8_t each = 0; each < 4; each++)
        sum += convert();
    ADCSRA = 0;
    return (uint16_t)((uint32_t)sum * (SUPPLY_MV * DIVIDER / 4) / 1024);
}

uint16_t chip_noise(void)
{
    uint16_t noise = 0;
    start_converter();
    for (uint8_t each = 0; each < 16; each++)
        noise = (uint16_t)((uint16_t)(noise << 1 | noise >> 15) ^ convert());
    ADCSRA = 0;
    return noise;
}

/* Memory */

bool hal_memory_ready(void)
{
    return eeprom_is_ready();
}

uint8_t hal_memory_read(uint16_t place)
{
    return eeprom_read_byte((const uint8_t *)(uintptr_t)place);
}

void hal_memory_write(uint16_t place, uint8_t byte)
{
    wdt_reset(); /* a pairing is 200 writes of 3.4 ms in a row */
    eeprom_write_byte((uint8_t *)(uintptr_t)place, byte);
}
