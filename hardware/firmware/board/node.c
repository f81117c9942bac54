#include "node.h"

#include "hal.h"

/* Places of the fields in the bodies, and special numerals (PROTOCOL.md, "Board link"). */
enum {
    SHOW_CONTROLLER = 1,
    SHOW_STAMP = 3,
    SHOW_NUMERALS = 5,
    SHOW_BRIGHTNESS = 6,
    SHOW_ASK = 7,
    SHOW_MASK = 8,

    HIGHEST_NUMERALS = 99,
    LAMP_TEST = 0xFE,
    DARK = 0xFF,
    HIGHEST_BRIGHTNESS = 15,
    HIGHEST_NODE = 8,
};

static const uint8_t digit_lamps[10] = {
    0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F,
};

static uint16_t word_at(const uint8_t *bytes)
{
    return (uint16_t)((uint16_t)bytes[0] << 8 | bytes[1]);
}

/* The lamps of numerals that have been checked: tens in the high byte. */
static uint16_t lamps_of(uint8_t numerals)
{
    if (numerals == LAMP_TEST)
        return 0xFFFF;
    if (numerals == DARK)
        return 0;
    uint8_t tens = numerals / 10;
    uint8_t tens_lamps = tens == 0 ? 0 : digit_lamps[tens];
    return (uint16_t)((uint16_t)tens_lamps << 8 | digit_lamps[numerals % 10]);
}

static void check_chain(struct node *node, uint16_t came_back)
{
    if (came_back != node->lamps)
        node->flags |= NODE_CHAIN_FAULT;
}

/* Light `lamps`. They are shifted in twice: what comes out the second time is the first copy, so
 * the whole chain has been checked when the second one is latched. */
static void light(struct node *node, uint16_t lamps, uint8_t brightness)
{
    node->lamps = lamps;
    hal_shift(lamps);
    check_chain(node, hal_shift(lamps));
    if (lamps == 0)
        hal_brighten(0);
    hal_latch();
    if (lamps != 0)
        hal_brighten(brightness);
}

static bool is_well_formed_show(const uint8_t *show, uint8_t length)
{
    uint8_t numerals = show[SHOW_NUMERALS];
    return length == NODE_SHOW_LENGTH
        && (numerals <= HIGHEST_NUMERALS || numerals == LAMP_TEST || numerals == DARK)
        && show[SHOW_BRIGHTNESS] >= 1 && show[SHOW_BRIGHTNESS] <= HIGHEST_BRIGHTNESS
        && show[SHOW_ASK] <= HIGHEST_NODE;
}

static void answer(struct node *node, uint16_t heard_at)
{
    uint16_t came_back = hal_shift(node->lamps);
    check_chain(node, came_back);
    struct readings readings;
    hal_measure(&readings);
    const uint8_t status[NODE_STATUS_LENGTH] = {
        NODE_STATUS,
        node->number,
        (uint8_t)(node->stamp >> 8),
        (uint8_t)node->stamp,
        (uint8_t)(came_back >> 8),
        (uint8_t)came_back,
        node->brightness,
        node->flags,
        readings.supply_dv,
        (uint8_t)(node->receiver.bad + node->refused_frames),
        node->foreign_frames,
        (uint8_t)(node->uptime_s >> 8),
        (uint8_t)node->uptime_s,
        node->revision,
        (uint8_t)(readings.tens_ma >> 8),
        (uint8_t)readings.tens_ma,
        (uint8_t)(readings.units_ma >> 8),
        (uint8_t)readings.units_ma,
        readings.temperature,
        readings.light,
    };
    uint8_t frame[FRAME_LENGTH(NODE_STATUS_LENGTH)];
    hal_answer(frame, frame_write(frame, status, sizeof status), heard_at);
    node->flags &= (uint8_t)~(NODE_DARK_BY_SILENCE | NODE_CHAIN_FAULT);
}

static void obey(struct node *node, const uint8_t *show, uint16_t heard_at)
{
    bool lit = show[SHOW_MASK] >> (node->number - 1) & 1;
    uint16_t lamps = lit ? lamps_of(show[SHOW_NUMERALS]) : 0;
    light(node, lamps, show[SHOW_BRIGHTNESS]);

    node->bound = true;
    node->controller = word_at(show + SHOW_CONTROLLER);
    node->stamp = word_at(show + SHOW_STAMP);
    node->brightness = show[SHOW_BRIGHTNESS];
    node->silent_ticks = 0;
    node->flags &= (uint8_t)~NODE_LAMP_TEST;
    if (lit && show[SHOW_NUMERALS] == LAMP_TEST)
        node->flags |= NODE_LAMP_TEST;
    if (show[SHOW_ASK] == node->number)
        answer(node, heard_at);
}

/* Newer by the signed difference of 16 bits: zero or less is stale. */
static bool is_newer(uint16_t stamp, uint16_t last)
{
    uint16_t difference = (uint16_t)(stamp - last);
    return difference != 0 && difference < 0x8000u;
}

static void take_body(struct node *node, const uint8_t *body, uint8_t length, uint16_t heard_at)
{
    if (body[0] == NODE_STATUS && length == NODE_STATUS_LENGTH)
        return; /* another node's answer */
    if (body[0] != NODE_SHOW || !is_well_formed_show(body, length))
        node->refused_frames++;
    else if (node->bound && word_at(body + SHOW_CONTROLLER) != node->controller)
        node->foreign_frames++;
    else if (node->bound && !is_newer(word_at(body + SHOW_STAMP), node->stamp))
        node->refused_frames++;
    else
        obey(node, body, heard_at);
}

void node_start(struct node *node, uint8_t number, uint8_t reset_causes, uint8_t revision)
{
    *node = (struct node){
        .number = number,
        .revision = revision,
        .flags = reset_causes & NODE_RESET_CAUSES,
    };
    light(node, 0, 0);
}

void node_hear(struct node *node, uint8_t byte, uint16_t at)
{
    uint8_t length = frame_take(&node->receiver, byte);
    if (length > 0)
        take_body(node, frame_body(&node->receiver), length, at);
}

void node_tick(struct node *node)
{
    if (++node->second_ticks == 1000) {
        node->second_ticks = 0;
        if (node->uptime_s < UINT16_MAX)
            node->uptime_s++;
    }
    if (node->bound && ++node->silent_ticks >= NODE_SILENCE_TICKS) {
        node->bound = false;
        node->flags |= NODE_DARK_BY_SILENCE;
        node->flags &= (uint8_t)~NODE_LAMP_TEST;
        light(node, 0, 0);
    }
}
