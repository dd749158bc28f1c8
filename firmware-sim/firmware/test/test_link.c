/* CRC, COBS and the rings, against vectors published elsewhere. */
#include <string.h>

#include "rig.h"

static uint16_t crc_of(const uint8_t *data, uint16_t size)
{
    uint16_t crc = PL_CRC_START;
    for (uint16_t i = 0; i < size; i++)
        crc = pl_crc(crc, data[i]);
    return crc;
}

static uint16_t from_hex(const char *hex, uint8_t *out)
{
    uint16_t n = 0;
    for (unsigned byte; *hex != 0 && sscanf(hex, "%2x", &byte) == 1; hex += 2)
        out[n++] = (uint8_t)byte;
    return n;
}

/* CRC RevEng catalogue, CRC-16/IBM-3740: check 0x29B1 of "123456789". */
static void crc_check_value(void)
{
    CHECK_EQ(crc_of((const uint8_t *)"123456789", 9), 0x29B1);
}

/* AUTOSAR, Specification of CRC Routines, examples for the 16-bit CCITT-FALSE polynomial
 * (recalled from memory, confirmed with crccheck 1.3). */
static void crc_autosar_examples(void)
{
    static const struct {
        const char *data;
        uint16_t crc;
    } examples[] = {
        {"00000000", 0x84C0},           {"F20183", 0xD374}, {"0FAA0055", 0x2023},
        {"00FF5511", 0xB8F9},           {"926B55", 0x0745}, {"FFFFFFFF", 0x1D0F},
        {"332255AABBCCDDEEFF", 0xF53F},
    };
    for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++) {
        uint8_t data[16];
        uint16_t size = from_hex(examples[i].data, data);
        CHECK_EQ(crc_of(data, size), examples[i].crc);
        data[size] = (uint8_t)(examples[i].crc >> 8); /* high byte first: nothing is left over */
        data[size + 1] = (uint8_t)examples[i].crc;
        CHECK_EQ(crc_of(data, (uint16_t)(size + 2u)), 0);
    }
}

static void cobs_both_ways(const uint8_t *data, uint16_t size, const uint8_t *want, uint16_t wants)
{
    uint8_t wire[1024];
    memset(wire, 0xEE, sizeof wire);
    CHECK_EQ(pl_cobs_encode(data, size, wire, 1000, 1023), wants + 1); /* across the ring's end */
    for (uint16_t i = 0; i < wants; i++)
        CHECK_EQ(wire[(1000u + i) & 1023u], want[i]);
    CHECK_EQ(wire[(1000u + wants) & 1023u], 0);

    pl_cobs cobs = {0, false, false};
    uint16_t got = 0;
    for (uint16_t i = 0; i < wants; i++) {
        int16_t byte = pl_cobs_decode(&cobs, want[i]);
        if (byte != PL_COBS_NOTHING) {
            CHECK(got < size);
            CHECK_EQ(byte, data[got++]);
        }
    }
    CHECK_EQ(got, size);
    CHECK_EQ(pl_cobs_decode(&cobs, 0), PL_COBS_END);
}

/* The examples usual since Cheshire & Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM
 * Transactions on Networking 7 (1999) 159 (confirmed with the Python package cobs 1.2). */
static void cobs_short_examples(void)
{
    static const char *const examples[][2] = {
        {"", "01"},
        {"00", "0101"},
        {"0000", "010101"},
        {"001100", "01021101"},
        {"11220033", "0311220233"},
        {"11223344", "0511223344"},
        {"11000000", "0211010101"},
    };
    for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++) {
        uint8_t data[8], want[8];
        uint16_t size = from_hex(examples[i][0], data);
        cobs_both_ways(data, size, want, from_hex(examples[i][1], want));
    }
}

static uint16_t run_of(uint8_t *at, unsigned from, unsigned to)
{
    uint16_t n = 0;
    for (unsigned v = from; v <= to; v++)
        at[n++] = (uint8_t)v;
    return n;
}

/* The same source: runs of 254 and more bytes without a zero. */
static void cobs_long_examples(void)
{
    uint8_t data[300] = {0}, want[300];
    uint16_t n = run_of(data, 0x01, 0xFE); /* 01..FE -> FF 01..FE */
    want[0] = 0xFF;
    run_of(want + 1, 0x01, 0xFE);
    cobs_both_ways(data, n, want, 255);

    data[0] = 0; /* 00 01..FE -> 01 FF 01..FE */
    run_of(data + 1, 0x01, 0xFE);
    want[0] = 1, want[1] = 0xFF;
    run_of(want + 2, 0x01, 0xFE);
    cobs_both_ways(data, 255, want, 256);

    n = run_of(data, 0x01, 0xFF); /* 01..FF -> FF 01..FE 02 FF */
    want[0] = 0xFF;
    run_of(want + 1, 0x01, 0xFE);
    want[255] = 2, want[256] = 0xFF;
    cobs_both_ways(data, n, want, 257);

    n = run_of(data, 0x02, 0xFF); /* 02..FF 00 -> FF 02..FF 01 01 */
    data[n] = 0;
    want[0] = 0xFF;
    run_of(want + 1, 0x02, 0xFF);
    want[255] = 1, want[256] = 1;
    cobs_both_ways(data, (uint16_t)(n + 1u), want, 257);

    n = run_of(data, 0x03, 0xFF); /* 03..FF 00 01 -> FE 03..FF 02 01 */
    data[n] = 0, data[n + 1] = 1;
    want[0] = 0xFE;
    run_of(want + 1, 0x03, 0xFF);
    want[254] = 2, want[255] = 1;
    cobs_both_ways(data, (uint16_t)(n + 2u), want, 256);
}

static void cobs_broken_block(void)
{
    pl_cobs cobs = {0, false, false};
    CHECK_EQ(pl_cobs_decode(&cobs, 0), PL_COBS_NOTHING); /* 0x00 alone only separates */
    CHECK_EQ(pl_cobs_decode(&cobs, 3), PL_COBS_NOTHING);
    CHECK_EQ(pl_cobs_decode(&cobs, 9), 9);
    CHECK_EQ(pl_cobs_decode(&cobs, 0), PL_COBS_BROKEN); /* one byte short */
    CHECK_EQ(pl_cobs_decode(&cobs, 1), PL_COBS_NOTHING);
    CHECK_EQ(pl_cobs_decode(&cobs, 0), PL_COBS_END); /* and the next frame is not harmed */
}

/* --- what the device does with bytes --- */

static uint16_t bad(void)
{
    return rig.core.link.rx_bad;
}

static void send_raw(const uint8_t *data, uint16_t size)
{
    for (uint16_t i = 0; i < size; i++) {
        pl_rx_byte(&rig.core.link, data[i]);
        rig_poll();
    }
}

static void spoiled_frames_are_counted_not_answered(void)
{
    rig_ready();
    uint8_t wire[64];
    uint16_t size = rig_encode(PL_GET_ORDER, 9, NULL, 0, wire);
    for (uint16_t i = 0; i + 1 < size; i++) {
        uint8_t spoiled[64];
        memcpy(spoiled, wire, size);
        spoiled[i] = (uint8_t)(spoiled[i] ^ 0x80u); /* never makes a 0x00 here */
        CHECK(spoiled[i] != 0);
        send_raw(spoiled, size);
        CHECK_EQ(bad(), i + 1);
    }
    CHECK_EQ(rig.frames, 0);
    send_raw(wire, size);
    CHECK_EQ(rig.frames, 2); /* report and reply */
    CHECK_EQ(bad(), size - 1);
}

static void too_short_frames(void)
{
    rig_ready();
    uint8_t data[4] = {PL_GET_ORDER, 1}, wire[16];
    uint16_t crc = crc_of(data, 2); /* good CRC, but no whole header */
    data[2] = (uint8_t)(crc >> 8), data[3] = (uint8_t)crc;
    send_raw(wire, pl_cobs_encode(data, 4, wire, 0, 15));
    CHECK_EQ(bad(), 1);
    send_raw((const uint8_t *)"\x01\x00", 2); /* an empty frame */
    CHECK_EQ(bad(), 2);
    send_raw((const uint8_t *)"\x00\x00\x00", 3); /* separators are no frames */
    CHECK_EQ(bad(), 2);
    CHECK_EQ(rig.frames, 0);
}

static void longest_and_too_long_frames(void)
{
    rig_ready();
    uint8_t payload[255], wire[300];
    memset(payload, 0x55, sizeof payload);
    send_raw(wire, rig_encode(PL_ARM, 1, payload, PL_MAX_PAYLOAD, wire));
    CHECK_EQ(pl_get_reply_code(rig_last(PL_REPLY)->payload), PL_REPLY_CODE_BAD_LENGTH);
    CHECK_EQ(bad(), 0);
    rig_forget();
    send_raw(wire, rig_encode(PL_ARM, 1, payload, PL_MAX_PAYLOAD + 1, wire));
    CHECK_EQ(bad(), 1);
    send_raw(wire, rig_encode(PL_ARM, 1, payload, 240, wire));
    CHECK_EQ(bad(), 2);
    CHECK_EQ(rig.frames, 0);
    CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK); /* and the line goes on */
}

static void endless_noise_without_zero(void)
{
    rig_ready();
    for (uint32_t i = 0; i < 200000; i++) {
        pl_rx_byte(&rig.core.link, (uint8_t)(1u + i % 255u));
        if (i % 16 == 0)
            rig_poll();
    }
    send_raw((const uint8_t *)"\x00", 1);
    CHECK_EQ(bad(), 1);
    CHECK_EQ(rig.core.link.rx_overrun, 0);
    CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK);
}

static void rx_ring_overflow_is_counted(void)
{
    rig_ready();
    uint8_t wire[16];
    uint16_t size = rig_encode(PL_RESET_LATCH, 1, NULL, 0, wire);
    CHECK_EQ(size, 7);
    for (int i = 0; i < 10; i++)
        rig_bytes(wire, size); /* 70 bytes into a ring that holds 63 */
    CHECK_EQ(rig.core.link.rx_overrun, 7);
    rig_poll();
    CHECK_EQ(rig_count(PL_REPLY), 9);
    CHECK_EQ(bad(), 0);
    rig_forget();
    for (int i = 0; i < 63; i++)
        pl_rx_byte(&rig.core.link, 5);
    CHECK_EQ(rig.core.link.rx_overrun, 7); /* exactly full */
    pl_rx_byte(&rig.core.link, 0);
    CHECK_EQ(rig.core.link.rx_overrun, 8);
    rig_poll();
    send_raw((const uint8_t *)"\x00", 1);
    CHECK_EQ(bad(), 1);
    CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK);
}

static void standing_line_drops_whole_frames(void)
{
    rig_ready();
    rig_ticks(1);
    uint16_t first = rig.core.link.tx_seq;
    rig.line_stands = true;
    rig_ticks(500); /* ten Samples are due, one fits beside none */
    CHECK_EQ((uint16_t)(rig.core.link.tx_seq - first), 10);
    uint16_t dropped = 0;
    rig.line_stands = false;
    rig_forget();
    rig_ticks(PL_FRAME_TICKS); /* end_frame of the rig checks each CRC */
    uint16_t seq = first;
    for (int i = 0; i < rig.frames; i++, seq++) {
        dropped = (uint16_t)(dropped + (uint16_t)(rig.frame[i].seq - seq));
        seq = rig.frame[i].seq;
    }
    CHECK_EQ(rig.frames + dropped, 11);
    CHECK_EQ(dropped, 8); /* 255 bytes hold two Samples of 127 */
}

static void standing_line_keeps_answers_with_their_reply(void)
{
    rig_ready();
    rig.line_stands = true;
    uint8_t wire[16];
    for (uint16_t i = 0; i < 3; i++) { /* 137 + 11 bytes each */
        rig_bytes(wire, rig_encode(PL_GET_ORDER, i, NULL, 0, wire));
        rig_poll();
    }
    rig.line_stands = false;
    rig_poll();
    CHECK_EQ(rig.frames, 2);
    CHECK_EQ(rig.frame[1].seq, rig.frame[0].seq + 1);
    CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frame[2].seq, rig.frame[1].seq + 5); /* two pairs are missing */
}

static void standing_line_drops_replies_and_hellos_whole(void)
{
    rig_ready();
    rig.line_stands = true;
    uint16_t first = rig.core.link.tx_seq;
    uint8_t wire[16], protocol = PL_PROTOCOL_VERSION;
    for (uint16_t i = 0; i < 30; i++) { /* 11 bytes each: 23 fit into 255 */
        rig_bytes(wire, rig_encode(PL_RESET_LATCH, i, NULL, 0, wire));
        rig_poll();
    }
    rig_bytes(wire, rig_encode(PL_GET_HELLO, 30, &protocol, 1, wire));
    rig_poll();
    rig.line_stands = false;
    rig_poll();
    CHECK_EQ(rig.frames, 23);
    CHECK_EQ(rig.frame[22].seq, first + 22);
    CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frame[23].seq, first + 32); /* seven replies, a hello with its reply */
}

static void tx_ring_holds_one_byte_less_than_its_size(void)
{
    rig_ready();
    rig.line_stands = true;
    uint8_t wire[16];
    for (int i = 0; i < 9; i++) /* 15 bytes each */
        pl_log_add(&rig.core, PL_EVENT_CODE_OUTPUT_EXPIRED, PL_OUTPUT_BEEPER);
    rig_poll();
    for (uint16_t i = 0; i < 11; i++) { /* and 11 each: 256 in all, which would look like none */
        rig_bytes(wire, rig_encode(PL_RESET_LATCH, i, NULL, 0, wire));
        rig_poll();
    }
    rig.line_stands = false;
    rig_poll();
    CHECK_EQ(rig.frames, 19);
}

static void any_start_in_the_tx_ring_is_whole(void)
{
    rig_ready(); /* frames of 127, 15 and 11 bytes move the start over every place of the ring */
    for (int i = 0; i < 600; i++) {
        rig_forget();
        rig_ticks(7);
        CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK);
    }
}

const test_case link_tests[] = {
    TEST(crc_check_value),
    TEST(crc_autosar_examples),
    TEST(cobs_short_examples),
    TEST(cobs_long_examples),
    TEST(cobs_broken_block),
    TEST(spoiled_frames_are_counted_not_answered),
    TEST(too_short_frames),
    TEST(longest_and_too_long_frames),
    TEST(endless_noise_without_zero),
    TEST(rx_ring_overflow_is_counted),
    TEST(standing_line_drops_whole_frames),
    TEST(standing_line_keeps_answers_with_their_reply),
    TEST(standing_line_drops_replies_and_hellos_whole),
    TEST(tx_ring_holds_one_byte_less_than_its_size),
    TEST(any_start_in_the_tx_ring_is_whole),
    TESTS_END,
};
