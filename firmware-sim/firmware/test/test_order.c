/* The standing order: one tick before and one past every limit. */
#include <string.h>

#include "rig.h"

static void closes_in_the_tick_that_reaches_the_target(void)
{
    for (int64_t target = 1; target <= 41; target++) {
        rig_ready();
        rig.analog[0] = 10;
        rig_order order = rig_plain();
        order.target = target;
        rig_open(order);
        uint32_t open_tick = rig.core.tick;
        uint32_t lit = (uint32_t)((target + 9) / 10);
        rig_ticks(lit - 1);
        CHECK(LAMP_ON);
        rig_ticks(1);
        CHECK(!LAMP_ON);
        const uint8_t *report = rig_report();
        CHECK_EQ(pl_get_order_report_state(report), PL_ORDER_STATE_CLOSED);
        CHECK_EQ(pl_get_order_report_close_reason(report), PL_CLOSE_REASON_DOSE);
        CHECK_EQ(pl_get_order_report_open_tick(report), open_tick);
        CHECK_EQ(pl_get_order_report_close_tick(report), open_tick + lit);
        CHECK_EQ(pl_get_order_report_order_sum(report), lit * 10);
        CHECK_EQ(pl_get_order_report_close_sum(report, 0) - pl_get_order_report_open_sum(report, 0),
                 lit * 10);
        CHECK_EQ(pl_get_order_report_close_count(report, 0) -
                 pl_get_order_report_open_count(report, 0), lit);
    }
}

static void light_of_the_opening_tick_does_not_count(void)
{
    rig_ready();
    rig.analog[0] = 1000;
    rig_order order = rig_plain();
    order.target = 3;
    rig_arm(order);
    rig_u32(PL_OPEN, 1);
    rig_ticks(1);
    rig.analog[0] = 1;
    rig_ticks(2);
    CHECK(LAMP_ON);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.sum, 3);
}

static void weights_and_bias(void)
{
    rig_ready();
    const uint16_t counts[4] = {100, 200, 300, 65535};
    memcpy(rig.analog, counts, sizeof counts);
    rig_order order = rig_plain();
    const uint16_t weight[4] = {1, 20, 300, 65535};
    memcpy(order.weight, weight, sizeof weight);
    order.bias = 94100; /* the first three cancel to zero, the fourth is the widest product */
    order.target = INT64_C(4294836225) * 3;
    rig_open(order);
    rig_ticks(2);
    CHECK(LAMP_ON);
    CHECK_EQ(rig.core.order.sum, INT64_C(4294836225) * 2);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.sum, order.target);
}

static void negative_sum_in_the_dark(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.bias = INT32_MAX;
    order.guard_ticks = 1000;
    rig_open(order);
    rig_ticks(999);
    CHECK_EQ(rig.core.order.sum, -999 * (int64_t)INT32_MAX);
    CHECK(LAMP_ON);
    rig_ticks(1);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_GUARD);
    rig_ready();
    order.bias = INT32_MIN;
    order.target = 1;
    rig_open(order);
    rig_ticks(1);
    CHECK_EQ(rig.core.order.sum, INT64_C(2147483648));
}

static void largest_target_cannot_overflow(void)
{
    rig_ready();
    memset(rig.analog, 0xFF, sizeof rig.analog);
    rig_order order = rig_plain();
    memset(order.weight, 0xFF, sizeof order.weight);
    order.bias = INT32_MIN;
    order.target = PL_TARGET_MAX;
    rig_open(order);
    rig.core.order.sum = PL_TARGET_MAX - 1;
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.sum, PL_TARGET_MAX - 1 + INT64_C(4294836225) * 4 + INT64_C(2147483648));
}

static void guard_time(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.guard_ticks = 5;
    rig_open(order);
    rig_ticks(4);
    CHECK(LAMP_ON);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.close_tick - rig.core.order.open_tick, 5);
    CHECK_EQ(rig_event_arg(PL_EVENT_CODE_LAMP_CLOSED), PL_CLOSE_REASON_GUARD);
}

/* INTERLOCK, STOP, DOSE, GUARD, SILENCE, HOST: in one tick each beats those after it. */
static void priorities_within_one_tick(void)
{
    static const uint8_t reasons[] = {PL_CLOSE_REASON_INTERLOCK, PL_CLOSE_REASON_STOP,
                                      PL_CLOSE_REASON_DOSE,      PL_CLOSE_REASON_GUARD,
                                      PL_CLOSE_REASON_SILENCE,   PL_CLOSE_REASON_HOST};
    for (unsigned first = 0; first < 6; first++) {
        rig_ready();
        rig_order order = rig_plain();
        order.guard_ticks = first <= 3 ? 9 : 1000;
        order.silence_ticks = first <= 4 ? 10 : 1000;
        order.target = 1;
        rig_open(order);
        rig_ticks(8);
        CHECK(LAMP_ON);
        rig.analog[0] = first <= 2;
        if (first == 0)
            rig.inputs = 0;
        if (first == 1)
            rig.inputs = PL_INPUT_INTERLOCK_CLOSED;
        CHECK_EQ(rig_u32(PL_CLOSE, 1), PL_REPLY_CODE_OK);
        rig_ticks(1);
        CHECK(!LAMP_ON);
        CHECK_EQ(rig.core.order.reason, reasons[first]);
        CHECK_EQ(rig.core.order.close_tick, rig.core.tick);
        CHECK_EQ(rig_events(PL_EVENT_CODE_LAMP_CLOSED), 1);
    }
}

static void host_closes_at_the_next_tick(void)
{
    rig_ready();
    rig.analog[0] = 7;
    rig_open(rig_plain());
    rig_ticks(3);
    CHECK_EQ(rig_u32(PL_CLOSE, 2), PL_REPLY_CODE_WRONG_ORDER);
    rig_ticks(1);
    CHECK(LAMP_ON);
    CHECK_EQ(rig_u32(PL_CLOSE, 1), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_u32(PL_CLOSE, 1), PL_REPLY_CODE_OK); /* resent */
    CHECK(LAMP_ON);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_HOST);
    CHECK_EQ(rig.core.order.sum, 35);
    CHECK_EQ(rig_u32(PL_CLOSE, 1), PL_REPLY_CODE_OK); /* resent later */
    rig_ticks(1);
    CHECK_EQ(rig_events(PL_EVENT_CODE_LAMP_CLOSED), 1);
}

static void order_zero_closes_whatever_is_open(void)
{
    rig_ready();
    rig_open(rig_plain());
    CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    rig_ready();
    rig_open(rig_plain());
    CHECK_EQ(rig_set_output(PL_OUTPUT_LAMP, 0, 0), PL_REPLY_CODE_OK);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_HOST);
}

static void sum_freezes_at_close_and_the_tail_shows_in_the_channel(void)
{
    rig_ready();
    rig.analog[0] = 5;
    rig_order order = rig_plain();
    order.target = 50;
    rig_open(order);
    rig_ticks(10);
    CHECK(!LAMP_ON);
    uint64_t at_close = rig.core.light_sum[0];
    rig.analog[0] = 3;
    rig_ticks(4);
    CHECK_EQ(rig.core.order.sum, 50);
    CHECK_EQ(rig.core.light_sum[0] - at_close, 12);
    CHECK_EQ(pl_get_order_report_close_sum(rig_report(), 0), at_close);
}

static void rearm_moves_the_target_both_ways(void)
{
    rig_ready();
    rig.analog[0] = 10;
    rig_order order = rig_plain();
    order.target = 100;
    rig_arm(order);
    CHECK_EQ(rig_rearm(1, 200), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_OK);
    rig_ticks(1 + 15);
    CHECK(LAMP_ON);
    CHECK_EQ(rig_rearm(1, 300), PL_REPLY_CODE_OK);
    rig_ticks(10);
    CHECK(LAMP_ON);
    CHECK_EQ(rig_rearm(1, 251), PL_REPLY_CODE_OK);
    CHECK(LAMP_ON);
    CHECK_EQ(rig_rearm(1, 251), PL_REPLY_CODE_OK); /* resent */
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.sum, 260);
}

static void rearm_below_the_sum_closes_at_the_next_tick(void)
{
    rig_ready();
    rig.analog[0] = 10;
    rig_open(rig_plain());
    rig_ticks(9);
    CHECK_EQ(rig_rearm(1, 1), PL_REPLY_CODE_OK);
    CHECK(LAMP_ON);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_DOSE);
}

static void tick_counter_wraps_under_an_open_order(void)
{
    const pl_config config = {PL_BOARD_HOST, 4, 10, 15, 0, 1, 0xFFFFFFFFu - 24u};
    rig_power_on_with(&config);
    rig_ticks(20);
    rig_heartbeat();
    rig_order order = rig_plain();
    order.guard_ticks = 40;
    rig_open(order);
    CHECK_EQ(rig.core.tick, 0xFFFFFFFCu);
    rig_ticks(39);
    CHECK(LAMP_ON);
    CHECK_EQ(rig.core.tick, 35);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig_event_tick(PL_EVENT_CODE_LAMP_CLOSED), 36);
    CHECK_EQ(rig_event_tick(PL_EVENT_CODE_LAMP_OPENED), 0xFFFFFFFCu);
}

static void report_of_an_open_order_is_the_present(void)
{
    rig_ready();
    rig.analog[0] = 10;
    rig_open(rig_plain());
    rig_ticks(4);
    const uint8_t *report = rig_report();
    CHECK_EQ(pl_get_order_report_state(report), PL_ORDER_STATE_OPEN);
    CHECK_EQ(pl_get_order_report_close_reason(report), PL_CLOSE_REASON_NONE);
    CHECK_EQ(pl_get_order_report_boot_id(report), 77);
    CHECK_EQ(pl_get_order_report_order(report), 1);
    CHECK_EQ(pl_get_order_report_close_tick(report), rig.core.tick);
    CHECK_EQ(pl_get_order_report_close_sum(report, 0) - pl_get_order_report_open_sum(report, 0),
             40);
    CHECK_EQ(pl_get_order_report_close_count(report, 0) -
             pl_get_order_report_open_count(report, 0), 4);
}

static void next_order_starts_from_zero(void)
{
    rig_ready();
    rig.analog[0] = 10;
    rig_order order = rig_plain();
    order.target = 100;
    rig_open(order);
    rig_ticks(10);
    order.order = 2;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
    const uint8_t *report = rig_report();
    CHECK_EQ(pl_get_order_report_order(report), 2);
    CHECK_EQ(pl_get_order_report_state(report), PL_ORDER_STATE_ARMED);
    CHECK_EQ(pl_get_order_report_close_reason(report), PL_CLOSE_REASON_NONE);
    CHECK_EQ(pl_get_order_report_order_sum(report), 0);
    CHECK_EQ(pl_get_order_report_open_tick(report), 0);
    CHECK_EQ(pl_get_order_report_close_sum(report, 0), 0);
}

static void open_that_meets_an_interlock_ends_closed(void)
{
    rig_ready();
    CHECK_EQ(rig_arm(rig_plain()), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_OK);
    rig.inputs = PL_INPUT_STOP_RELEASED;
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig_events(PL_EVENT_CODE_LAMP_OPENED), 0);
    CHECK_EQ(rig_events(PL_EVENT_CODE_LAMP_CLOSED), 1);
    CHECK_EQ(rig_event_arg(PL_EVENT_CODE_LAMP_CLOSED), PL_CLOSE_REASON_INTERLOCK);
    const uint8_t *report = rig_report();
    CHECK_EQ(pl_get_order_report_state(report), PL_ORDER_STATE_CLOSED);
    CHECK_EQ(pl_get_order_report_close_reason(report), PL_CLOSE_REASON_INTERLOCK);
    CHECK_EQ(pl_get_order_report_order_sum(report), 0);
    CHECK_EQ(pl_get_order_report_open_tick(report), pl_get_order_report_close_tick(report));
    CHECK_EQ(pl_get_order_report_open_sum(report, 0), pl_get_order_report_close_sum(report, 0));
}

static void close_or_disarm_overtakes_an_open(void)
{
    rig_ready();
    rig_arm(rig_plain());
    rig_u32(PL_OPEN, 1);
    CHECK_EQ(rig_u32(PL_CLOSE, 1), PL_REPLY_CODE_OK);
    rig_ticks(2);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_CLOSED);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_HOST);
    rig_ready();
    rig_arm(rig_plain());
    rig_u32(PL_OPEN, 1);
    CHECK_EQ(rig_u32(PL_DISARM, 1), PL_REPLY_CODE_OK);
    rig_ticks(2);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig_events(PL_EVENT_CODE_LAMP_OPENED), 0);
    CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_NONE);
}

const test_case order_tests[] = {
    TEST(closes_in_the_tick_that_reaches_the_target),
    TEST(light_of_the_opening_tick_does_not_count),
    TEST(weights_and_bias),
    TEST(negative_sum_in_the_dark),
    TEST(largest_target_cannot_overflow),
    TEST(guard_time),
    TEST(priorities_within_one_tick),
    TEST(host_closes_at_the_next_tick),
    TEST(order_zero_closes_whatever_is_open),
    TEST(sum_freezes_at_close_and_the_tail_shows_in_the_channel),
    TEST(rearm_moves_the_target_both_ways),
    TEST(rearm_below_the_sum_closes_at_the_next_tick),
    TEST(tick_counter_wraps_under_an_open_order),
    TEST(report_of_an_open_order_is_the_present),
    TEST(next_order_starts_from_zero),
    TEST(open_that_meets_an_interlock_ends_closed),
    TEST(close_or_disarm_overtakes_an_open),
    TESTS_END,
};
