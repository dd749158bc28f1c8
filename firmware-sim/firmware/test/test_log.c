/* The event log: numbers without holes, kept and sent again. */
#include "rig.h"

static int get_log(uint16_t number)
{
    uint8_t p[2];
    pl_set_get_log_number(p, number);
    rig_forget();
    int code = rig_command(PL_GET_LOG, p, 2);
    if (code == -1) { /* it comes once the ring has room */
        rig_poll();
        rig_poll();
        code = rig_last(PL_REPLY) ? pl_get_reply_code(rig_last(PL_REPLY)->payload) : -1;
    }
    return code;
}

static uint16_t number_of(int frame)
{
    CHECK_EQ(rig.frame[frame].type, PL_EVENT);
    return pl_get_event_number(rig.frame[frame].payload);
}

/* Adds events without waiting for something to happen. */
static void add_events(int n)
{
    while (n--)
        pl_log_add(&rig.core, PL_EVENT_CODE_OUTPUT_EXPIRED, PL_OUTPUT_BEEPER);
}

static void from_a_number_on(void)
{
    rig_ready(); /* BOOT and two closed inputs: 1, 2, 3 */
    CHECK_EQ(get_log(2), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frames, 3);
    CHECK_EQ(number_of(0), 2);
    CHECK_EQ(number_of(1), 3);
    CHECK_EQ(rig.frame[2].type, PL_REPLY);
    CHECK_EQ(get_log(3), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frames, 2);
    CHECK_EQ(get_log(4), PL_REPLY_CODE_OK); /* not yet happened */
    CHECK_EQ(rig.frames, 1);
    CHECK_EQ(get_log(0), PL_REPLY_CODE_OK); /* all */
    CHECK_EQ(rig.frames, 4);
    CHECK_EQ(number_of(0), 1);
}

static void the_last_sixteen_are_kept(void)
{
    rig_ready();
    add_events(17); /* 4..20 */
    rig_poll();
    CHECK_EQ(get_log(1), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frames, 17);
    CHECK_EQ(number_of(0), 5);
    CHECK_EQ(number_of(15), 20);
    CHECK_EQ(get_log(5), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frames, 17);
    CHECK_EQ(get_log(6), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frames, 16);
}

static void numbers_wrap_past_zero(void)
{
    rig_ready();
    rig.core.log.newest = rig.core.log.sent = 65530;
    rig_forget();
    for (int i = 0; i < 3; i++) {
        add_events(4);
        rig_poll();
    }
    CHECK_EQ(rig.frames, 12);
    CHECK_EQ(number_of(4), 65535);
    CHECK_EQ(number_of(5), 1); /* 0 is skipped */
    CHECK_EQ(number_of(11), 7);
    CHECK_EQ(get_log(65534), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frames, 10); /* 65534, 65535, 1..7 and the reply */
    CHECK_EQ(get_log(6), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frames, 3);
    CHECK_EQ(get_log(8), PL_REPLY_CODE_OK);
    CHECK_EQ(rig.frames, 1);
    CHECK_EQ(get_log(0), PL_REPLY_CODE_OK);
    CHECK_EQ(number_of(0), 65531);
    CHECK_EQ(rig.frames, 13);
}

static void older_is_half_a_ring(void)
{
    static const uint16_t newests[] = {20, 16384, 32767, 32768, 40000, 65535};
    for (size_t i = 0; i < sizeof newests / sizeof newests[0]; i++) {
        uint32_t newest = newests[i];
        uint32_t oldest = newest > 32767 ? newest - 32767 : newest + 65535 - 32767;
        rig_ready();
        rig.core.log.newest = rig.core.log.sent = (uint16_t)(newest - 16);
        add_events(16);
        rig_poll();
        CHECK_EQ(get_log((uint16_t)oldest), PL_REPLY_CODE_OK); /* 32767 steps lead to the newest */
        CHECK_EQ(rig.frames, 17);
        oldest = oldest == 1 ? 65535 : oldest - 1;
        CHECK_EQ(get_log((uint16_t)oldest), PL_REPLY_CODE_OK); /* one more: it is still to come */
        CHECK_EQ(rig.frames, 1);
    }
}

static void events_wait_for_a_standing_line(void)
{
    rig_ready();
    rig.line_stands = true;
    add_events(16);
    rig_poll(); /* all sixteen fit: 240 bytes; the next would not */
    add_events(16);
    rig_poll();
    CHECK_EQ(rig_count(PL_EVENT), 0);
    rig.line_stands = false;
    rig_forget();
    rig_poll(), rig_poll();
    int events = rig_count(PL_EVENT);
    CHECK_EQ(events, 32);
    for (int i = 0; i < events; i++)
        CHECK_EQ(number_of(i), 4 + i);
}

static void what_was_overwritten_unsent_is_a_hole(void)
{
    rig_ready();
    rig.line_stands = true;
    add_events(16); /* 4..19 go into the ring */
    rig_poll();
    add_events(20); /* 20..39: 20..23 are overwritten before they could go */
    rig_poll();
    rig.line_stands = false;
    rig_forget();
    rig_poll(), rig_poll();
    CHECK_EQ(rig.frames, 32);
    CHECK_EQ(number_of(15), 19);
    CHECK_EQ(number_of(16), 24);
    CHECK_EQ(number_of(31), 39);
}

static void a_second_get_log_takes_over(void)
{
    rig_ready();
    uint8_t p[2] = {0, 0}, wire[16];
    rig.line_stands = true;
    add_events(16);
    rig_poll(); /* no room to replay anything */
    rig_bytes(wire, rig_encode(PL_GET_LOG, 500, p, 2, wire));
    rig_poll();
    rig_bytes(wire, rig_encode(PL_GET_LOG, 500, p, 2, wire)); /* resent */
    rig_poll();
    rig.line_stands = false;
    rig_poll();
    rig_forget();
    rig_poll(), rig_poll();
    CHECK_EQ(rig_count(PL_REPLY), 1);
    CHECK_EQ(pl_get_reply_seq(rig_last(PL_REPLY)->payload), 500);
    CHECK_EQ(rig_count(PL_EVENT), 16);
}

static void sample_carries_the_newest_number(void)
{
    rig_ready();
    add_events(300);
    rig_ticks(PL_FRAME_TICKS);
    CHECK_EQ(pl_get_sample_events(rig_last(PL_SAMPLE)->payload), 303 & 0xFF);
}

const test_case log_tests[] = {
    TEST(from_a_number_on),
    TEST(the_last_sixteen_are_kept),
    TEST(numbers_wrap_past_zero),
    TEST(older_is_half_a_ring),
    TEST(events_wait_for_a_standing_line),
    TEST(what_was_overwritten_unsent_is_a_hole),
    TEST(a_second_get_log_takes_over),
    TEST(sample_carries_the_newest_number),
    TESTS_END,
};
