/* Outputs that the host must renew. */
#include "rig.h"

#define VACUUM_ON ((rig.pins & (1u << PL_OUTPUT_VACUUM)) != 0)
#define BEEPER_ON ((rig.pins & (1u << PL_OUTPUT_BEEPER)) != 0)

static void stays_on_for_exactly_its_hold_time(void)
{
    static const uint16_t holds[] = {1, 2, 100, 60000};
    for (size_t i = 0; i < sizeof holds / sizeof holds[0]; i++) {
        rig_ready();
        CHECK_EQ(rig_set_output(PL_OUTPUT_BEEPER, 1, holds[i]), PL_REPLY_CODE_OK);
        CHECK(!BEEPER_ON);
        for (uint32_t tick = 0; tick < holds[i]; tick++) {
            pl_sample_tick(&rig.core, rig.analog, rig.inputs);
            CHECK(BEEPER_ON);
        }
        rig_ticks(1);
        CHECK(!BEEPER_ON);
        CHECK_EQ(rig_event_arg(PL_EVENT_CODE_OUTPUT_EXPIRED), PL_OUTPUT_BEEPER);
        CHECK_EQ(rig_event_tick(PL_EVENT_CODE_OUTPUT_EXPIRED), rig.core.tick);
    }
}

static void renewal_starts_the_hold_time_anew(void)
{
    rig_ready();
    for (int i = 0; i < 5; i++) {
        rig_set_output(PL_OUTPUT_VACUUM, 1, 10);
        rig_ticks(10);
        CHECK(VACUUM_ON);
    }
    rig_ticks(1);
    CHECK(!VACUUM_ON);
    CHECK_EQ(rig_events(PL_EVENT_CODE_OUTPUT_EXPIRED), 1);
}

static void switching_off_is_no_expiry(void)
{
    rig_ready();
    rig_set_output(PL_OUTPUT_VACUUM, 1, 10);
    rig_set_output(PL_OUTPUT_BEEPER, 1, 10);
    rig_ticks(5);
    CHECK_EQ(rig_set_output(PL_OUTPUT_VACUUM, 0, 0), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_set_output(PL_OUTPUT_VACUUM, 0, 0), PL_REPLY_CODE_OK); /* resent */
    CHECK(VACUUM_ON);
    rig_ticks(1);
    CHECK(!VACUUM_ON && BEEPER_ON);
    rig_ticks(20);
    CHECK_EQ(rig_events(PL_EVENT_CODE_OUTPUT_EXPIRED), 1);
    CHECK_EQ(rig_event_arg(PL_EVENT_CODE_OUTPUT_EXPIRED), PL_OUTPUT_BEEPER);
}

static void vacuum_outlasts_its_time_only_while_the_lamp_is_on(void)
{
    rig_ready();
    rig_order order = rig_plain();
    order.guard_ticks = 50;
    rig_set_output(PL_OUTPUT_VACUUM, 1, 10);
    rig_set_output(PL_OUTPUT_BEEPER, 1, 10);
    rig_open(order);
    rig_ticks(10);
    CHECK(VACUUM_ON && !BEEPER_ON && LAMP_ON);
    rig_ticks(39);
    CHECK(VACUUM_ON && LAMP_ON);
    rig_ticks(1);
    CHECK(VACUUM_ON && !LAMP_ON); /* the tick of closing */
    rig_ticks(1);
    CHECK(!VACUUM_ON);
    CHECK_EQ(rig_events(PL_EVENT_CODE_OUTPUT_EXPIRED), 2);
}

static void vacuum_outlasts_its_time_from_the_opening_tick_on(void)
{
    for (uint16_t hold = 1; hold <= 2; hold++) {
        rig_ready();
        rig_set_output(PL_OUTPUT_VACUUM, 1, hold);
        rig_ticks(1);
        rig_open(rig_plain()); /* with hold 1 it would expire in this very tick */
        rig_ticks(5);
        CHECK(VACUUM_ON && LAMP_ON);
    }
}

static void refusals(void)
{
    rig_ready();
    CHECK_EQ(rig_set_output(PL_OUTPUT_LAMP, 1, 100), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig_set_output(3, 1, 100), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig_set_output(3, 0, 100), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig_set_output(PL_OUTPUT_VACUUM, 2, 100), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig_set_output(PL_OUTPUT_VACUUM, 1, 0), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig_set_output(PL_OUTPUT_VACUUM, 1, 60001), PL_REPLY_CODE_BAD_VALUE);
    rig_ticks(1);
    CHECK_EQ(rig.pins, 0);
    CHECK_EQ(rig_set_output(PL_OUTPUT_VACUUM, 1, 60000), PL_REPLY_CODE_OK);
}

static void interlock_leaves_the_vacuum_alone(void)
{
    rig_ready();
    rig_set_output(PL_OUTPUT_VACUUM, 1, 1000);
    rig_ticks(1);
    rig.inputs = 0;
    rig_ticks(1);
    CHECK(VACUUM_ON);
}

const test_case output_tests[] = {
    TEST(stays_on_for_exactly_its_hold_time),
    TEST(renewal_starts_the_hold_time_anew),
    TEST(switching_off_is_no_expiry),
    TEST(vacuum_outlasts_its_time_only_while_the_lamp_is_on),
    TEST(vacuum_outlasts_its_time_from_the_opening_tick_on),
    TEST(refusals),
    TEST(interlock_leaves_the_vacuum_alone),
    TESTS_END,
};
