/* The golden frames that the host's tests read too: encoded, decoded, and through every field. */
#include <stdlib.h>
#include <string.h>

#include "rig.h"
#include "wire_all.h"

extern const char *golden_path;

#define MOST_VALUES 64

static uint16_t hex(const char *text, uint8_t *out)
{
    uint16_t n = 0;
    for (unsigned byte; sscanf(text, "%2x", &byte) == 1; text += 2)
        out[n++] = (uint8_t)byte;
    return n;
}

static int values(char *text, int64_t *out)
{
    int n = 0;
    if (strcmp(text, "-") == 0)
        return 0;
    for (char *item = strtok(text, ","); item != NULL; item = strtok(NULL, ","))
        out[n++] = item[0] == '-' ? (int64_t)strtoll(item, NULL, 10)
                                  : (int64_t)strtoull(item, NULL, 10);
    return n;
}

static void check_line(uint8_t type, uint16_t seq, char *value_text, const char *payload_text,
                       const char *wire_text)
{
    int64_t want[MOST_VALUES] = {0}, got[MOST_VALUES] = {0};
    uint8_t payload[PL_MAX_PAYLOAD], wire[300], made[PL_MAX_PAYLOAD], made_wire[300];
    int count = values(value_text, want);
    uint16_t size = hex(payload_text, payload), wire_size = hex(wire_text, wire);

    memset(made, 0xEE, sizeof made);
    CHECK_EQ(wire_write(type, want, made), size);
    CHECK(memcmp(made, payload, size) == 0);
    CHECK_EQ(wire_read(type, payload, got), count);
    for (int i = 0; i < count; i++)
        CHECK_EQ(got[i], want[i]);

    CHECK_EQ(rig_encode(type, seq, payload, (uint8_t)size, made_wire), wire_size);
    CHECK(memcmp(made_wire, wire, wire_size) == 0);

    pl_link link; /* and read back by the device's receiver */
    pl_link_start(&link);
    uint16_t received = 0;
    for (uint16_t i = 0; i < wire_size; i++) {
        CHECK_EQ(received, 0);
        pl_rx_byte(&link, wire[i]);
        received = pl_link_receive(&link);
    }
    CHECK_EQ(received, PL_HEADER + size);
    CHECK_EQ(pl_load8(link.rx_frame), type);
    CHECK_EQ(pl_load16(link.rx_frame + 1), seq);
    CHECK(memcmp(link.rx_frame + PL_HEADER, payload,
                 size < PL_MAX_COMMAND ? size : PL_MAX_COMMAND) == 0);
}

static void golden_frames(void)
{
    static char line[4096], name[32], value_text[2048], payload_text[512], wire_text[512];
    bool seen[256] = {false};
    unsigned type, seq;
    FILE *file = fopen(golden_path, "r");
    CHECK(file != NULL);
    while (fgets(line, sizeof line, file) != NULL) {
        if (line[0] == '#')
            continue;
        CHECK_EQ(sscanf(line, "%2x %31s %u %2047s %511s %511s", &type, name, &seq, value_text,
                        payload_text, wire_text), 6);
        check_line((uint8_t)type, (uint16_t)seq, value_text, payload_text, wire_text);
        seen[type] = true;
    }
    fclose(file);
    int64_t none[MOST_VALUES] = {0};
    uint8_t scratch[PL_MAX_PAYLOAD];
    for (unsigned code = 0; code < 256; code++) /* every message there is has a line */
        CHECK_EQ(seen[code], wire_write((uint8_t)code, none, scratch) >= 0);
}

const test_case golden_tests[] = {TEST(golden_frames), TESTS_END};
