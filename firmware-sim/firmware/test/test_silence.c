/* The host falls silent: one tick before and one past, under both policies. */
#include "rig.h"

static void silence_closes(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.silence_ticks = 30;
    rig_open(order); /* the heartbeat was given before this tick: age 1 */
    rig_ticks(28);
    CHECK(LAMP_ON);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_SILENCE);
    CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_SILENT), 1);
    CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_BACK), 0);
    rig_heartbeat();
    CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_BACK), 1);
}

static void heartbeats_put_silence_off(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.silence_ticks = 30;
    rig_open(order);
    for (int i = 0; i < 10; i++) {
        rig_heartbeat();
        rig_ticks(29);
        CHECK(LAMP_ON);
    }
    rig_ticks(1);
    CHECK(!LAMP_ON);
}

static void other_commands_are_no_heartbeat(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.silence_ticks = 30;
    rig_open(order);
    for (int i = 0; i < 29; i++) {
        CHECK(LAMP_ON);
        rig_rearm(1, 5000 + i);
        rig_ticks(1);
    }
    CHECK(!LAMP_ON);
}

static void silence_finishes_under_the_order(void)
{
    rig_ready();
    rig.analog[0] = 1;
    rig_order order = rig_plain();
    order.silence_ticks = 30;
    order.silence_policy = PL_SILENCE_POLICY_FINISH;
    order.target = 200;
    rig_open(order);
    rig_ticks(28);
    CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_SILENT), 0);
    rig_ticks(1);
    CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_SILENT), 1);
    rig_ticks(170);
    CHECK(LAMP_ON);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_DOSE);
    CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_SILENT), 1); /* said once */
}

static void silence_never_outlives_the_guard(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.silence_ticks = 30;
    order.silence_policy = PL_SILENCE_POLICY_FINISH;
    order.guard_ticks = 100;
    rig_open(order);
    rig_ticks(99);
    CHECK(LAMP_ON);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_GUARD);
}

static void silence_and_return_are_told_each_time(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.silence_ticks = 10;
    order.silence_policy = PL_SILENCE_POLICY_FINISH;
    rig_open(order);
    for (int i = 1; i <= 3; i++) {
        rig_ticks(40);
        CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_SILENT), i);
        rig_heartbeat();
        CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_BACK), i);
    }
    CHECK(LAMP_ON);
}

/* Silence that begins in the tick of the dose, under either policy: the dose is the reason. */
static void silence_in_the_tick_of_the_dose_is_logged_before_it(void)
{
    for (uint8_t policy = 0; policy < 2; policy++) {
        rig_ready();
        rig.analog[0] = 1;
        rig_order order = rig_plain();
        order.silence_ticks = 30;
        order.silence_policy = policy;
        order.target = 29;
        rig_open(order);
        rig_ticks(28);
        CHECK(LAMP_ON);
        CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_SILENT), 0);
        rig_ticks(1);
        CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_DOSE);
        CHECK_EQ(rig_event_tick(PL_EVENT_CODE_HOST_SILENT), rig.core.tick);
        CHECK_EQ(rig_last(PL_EVENT)->payload[2], PL_EVENT_CODE_LAMP_CLOSED);
        rig_ticks(10);
        rig_heartbeat();
        CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_BACK), 1); /* although the order has ended */
    }
}

static void silence_that_begins_as_the_lamp_comes_on_counts_from_the_next_tick(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.silence_ticks = 30;
    rig_ticks(29);
    rig_open(order);
    CHECK_EQ(rig_events(PL_EVENT_CODE_HOST_SILENT), 0);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_SILENCE);
    CHECK_EQ(rig_event_tick(PL_EVENT_CODE_HOST_SILENT), rig.core.order.open_tick + 1);
}

static void longest_silence_is_reached(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.silence_ticks = 65535;
    rig_open(order);
    for (int i = 0; i < 65533; i++) {
        pl_sample_tick(&rig.core, rig.analog, rig.inputs);
        CHECK(LAMP_ON);
    }
    pl_sample_tick(&rig.core, rig.analog, rig.inputs);
    CHECK(!LAMP_ON);
}

const test_case silence_tests[] = {
    TEST(silence_closes),
    TEST(heartbeats_put_silence_off),
    TEST(other_commands_are_no_heartbeat),
    TEST(silence_finishes_under_the_order),
    TEST(silence_never_outlives_the_guard),
    TEST(silence_and_return_are_told_each_time),
    TEST(silence_in_the_tick_of_the_dose_is_logged_before_it),
    TEST(silence_that_begins_as_the_lamp_comes_on_counts_from_the_next_tick),
    TEST(longest_silence_is_reached),
    TESTS_END,
};
