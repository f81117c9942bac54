/* A board node and the framing on a PC, led by lines on standard input; each line is answered by
 * one. Bytes are hexadecimal, other numbers decimal.
 *
 *   start NUMBER CAUSES REVISION    begin a node
 *   hear BYTES                      it hears bytes
 *   tick N                          milliseconds go by
 *   set FIELD VALUE                 uptime, bad, foreign, flags; supply, tens_ma,
 *                                   units_ma, temperature, light; upset
 *   open BYTES                      a fresh receiver hears bytes: the bodies, and how many were bad
 *   frame BYTES                     the frame of a body
 *
 * The answer to the first four: lamps, latches, answers, the last answer, refused, foreign. */

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node.h"
#include "pc_hal.h"

static uint8_t bytes[4096];

static size_t read_bytes(const char *text)
{
    size_t count = 0;
    unsigned byte;
    while (count < sizeof bytes && sscanf(text, "%2x", &byte) == 1) {
        bytes[count++] = (uint8_t)byte;
        text += 2;
    }
    return count;
}

static void print_bytes(const uint8_t *data, size_t length)
{
    for (size_t at = 0; at < length; at++)
        printf("%02x", data[at]);
}

static void open_frames(const char *text)
{
    struct frame_receiver receiver = {0};
    size_t count = read_bytes(text);
    for (size_t at = 0; at < count; at++) {
        uint8_t length = frame_take(&receiver, bytes[at]);
        if (length > 0) {
            print_bytes(frame_body(&receiver), length);
            printf(" ");
        }
    }
    printf("bad %u\n", receiver.bad);
}

static void write_frame(const char *text)
{
    size_t length = read_bytes(text);
    uint8_t *body = malloc(length ? length : 1); /* of just this size, so that a read beyond shows */
    uint8_t *frame = malloc(FRAME_LENGTH(length));
    memcpy(body, bytes, length);
    print_bytes(frame, length > 255 ? 0 : frame_write(frame, body, (uint8_t)length));
    printf("\n");
    free(body);
    free(frame);
}

/* False where it is not a reading. */
static bool set_reading(struct readings *readings, const char *field, unsigned value)
{
    if (strcmp(field, "supply") == 0)
        readings->supply_dv = (uint8_t)value;
    else if (strcmp(field, "tens_ma") == 0)
        readings->tens_ma = (uint16_t)value;
    else if (strcmp(field, "units_ma") == 0)
        readings->units_ma = (uint16_t)value;
    else if (strcmp(field, "temperature") == 0)
        readings->temperature = (uint8_t)value;
    else if (strcmp(field, "light") == 0)
        readings->light = (uint8_t)value;
    else
        return false;
    return true;
}

static void set(struct node *node, const char *field, unsigned value)
{
    if (strcmp(field, "uptime") == 0)
        node->uptime_s = (uint16_t)value;
    else if (strcmp(field, "bad") == 0)
        node->refused_frames = (uint8_t)value;
    else if (strcmp(field, "foreign") == 0)
        node->foreign_frames = (uint8_t)value;
    else if (strcmp(field, "flags") == 0)
        node->flags = (uint8_t)value;
    else if (strcmp(field, "upset") == 0)
        hardware.upset = (uint16_t)value;
    else if (!set_reading(&hardware.readings, field, value))
        abort();
}

static void report(const struct node *node)
{
    printf("%04x %u %u %u ", hardware.brightness ? hardware.latched : 0u, hardware.brightness,
           hardware.latches, hardware.answers);
    print_bytes(hardware.answer, hardware.answer_length);
    printf("- %u %u\n", (uint8_t)(node->receiver.bad + node->refused_frames), node->foreign_frames);
}

int main(void)
{
    static char line[3 * sizeof bytes];
    static struct node node;
    uint16_t now = 0;
    setvbuf(stdout, NULL, _IOLBF, BUFSIZ);
    while (fgets(line, sizeof line, stdin)) {
        char word[16] = "", field[16] = "";
        unsigned a = 0, b = 0, c = 0;
        sscanf(line, "%15s", word);
        const char *rest = line + strlen(word) + (line[strlen(word)] == ' ');
        if (strcmp(word, "open") == 0) {
            open_frames(rest);
            continue;
        }
        if (strcmp(word, "frame") == 0) {
            write_frame(rest);
            continue;
        }
        if (strcmp(word, "start") == 0 && sscanf(rest, "%u %u %u", &a, &b, &c) == 3) {
            hardware = (struct pc_hardware){.readings = PC_READINGS};
            node_start(&node, (uint8_t)a, (uint8_t)b, (uint8_t)c);
        } else if (strcmp(word, "hear") == 0) {
            size_t count = read_bytes(rest);
            for (size_t at = 0; at < count; at++)
                node_hear(&node, bytes[at], now++);
        } else if (strcmp(word, "tick") == 0 && sscanf(rest, "%u", &a) == 1) {
            while (a--)
                node_tick(&node);
        } else if (strcmp(word, "set") == 0 && sscanf(rest, "%15s %u", field, &a) == 2) {
            set(&node, field, a);
        } else {
            abort();
        }
        report(&node);
    }
    return 0;
}
