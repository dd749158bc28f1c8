/* Interlock and stop button: dark in the first sample, the latch, and closing with debounce. */
#include "rig.h"

#define BOTH (PL_INPUT_INTERLOCK_CLOSED | PL_INPUT_STOP_RELEASED)

static void outputs_are_off_from_the_first_moment(void)
{
    rig_power_on();
    CHECK_EQ(rig.pins, 0); /* they were 0xFF */
    CHECK_EQ(rig.pin_writes, 1);
}

static void inputs_close_after_debounce(void)
{
    rig_power_on();
    rig_ticks(PL_DEBOUNCE_TICKS - 1);
    CHECK_EQ(rig.core.inputs, 0);
    rig_ticks(1);
    CHECK_EQ(rig.core.inputs, BOTH);
    CHECK_EQ(rig_event_tick(PL_EVENT_CODE_INTERLOCK_CLOSED), PL_DEBOUNCE_TICKS);
    CHECK_EQ(rig_event_tick(PL_EVENT_CODE_STOP_RELEASED), PL_DEBOUNCE_TICKS);
    CHECK_EQ(rig.core.latched, 0); /* nothing was seen to open */
}

static void one_bounce_begins_the_debounce_anew(void)
{
    rig_power_on();
    rig_ticks(PL_DEBOUNCE_TICKS - 1);
    rig.inputs = PL_INPUT_STOP_RELEASED;
    rig_ticks(1);
    rig.inputs = BOTH;
    CHECK_EQ(rig.core.inputs, PL_INPUT_STOP_RELEASED);
    rig_ticks(PL_DEBOUNCE_TICKS - 1);
    CHECK_EQ(rig.core.inputs, PL_INPUT_STOP_RELEASED);
    rig_ticks(1);
    CHECK_EQ(rig.core.inputs, BOTH);
    CHECK_EQ(rig.core.latched, 0);
}

static void drops_the_lamp(uint8_t inputs, uint8_t reason, uint8_t event, uint8_t refusal)
{
    rig_ready();
    rig.analog[0] = 4;
    rig_open(rig_plain());
    rig_ticks(5);
    rig.inputs = inputs;
    rig_ticks(1); /* a single sample of 1 ms */
    CHECK(!LAMP_ON);
    rig.inputs = BOTH;
    CHECK_EQ(rig_event_tick(event), rig.core.tick);
    CHECK_EQ(rig_event_tick(PL_EVENT_CODE_LAMP_CLOSED), rig.core.tick);
    CHECK_EQ(rig_event_arg(PL_EVENT_CODE_LAMP_CLOSED), reason);
    CHECK_EQ(rig.core.order.sum, 24); /* that sample was still lit */
    CHECK_EQ(rig.core.latched, 1);
    CHECK_EQ(rig_command(PL_RESET_LATCH, NULL, 0), refusal);
    rig_ticks(PL_DEBOUNCE_TICKS - 1);
    CHECK_EQ(rig_command(PL_RESET_LATCH, NULL, 0), refusal);
    CHECK_EQ(rig_arm(rig_plain()), PL_REPLY_CODE_LATCHED);
    rig_ticks(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig_arm(rig_plain()), PL_REPLY_CODE_LATCHED); /* closed again, but latched */
    CHECK_EQ(rig_command(PL_RESET_LATCH, NULL, 0), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_command(PL_RESET_LATCH, NULL, 0), PL_REPLY_CODE_OK); /* resent */
    CHECK_EQ(rig_events(PL_EVENT_CODE_LATCH_RESET), 1);
    rig_open(rig_plain());
}

static void interlock_drops_the_lamp(void)
{
    drops_the_lamp(PL_INPUT_STOP_RELEASED, PL_CLOSE_REASON_INTERLOCK,
                   PL_EVENT_CODE_INTERLOCK_OPENED, PL_REPLY_CODE_INTERLOCK_OPEN);
}

static void stop_button_drops_the_lamp(void)
{
    drops_the_lamp(PL_INPUT_INTERLOCK_CLOSED, PL_CLOSE_REASON_STOP, PL_EVENT_CODE_STOP_PRESSED,
                   PL_REPLY_CODE_STOP_PRESSED);
}

static void opening_in_the_dark_latches_too(void)
{
    rig_ready();
    CHECK_EQ(rig_arm(rig_plain()), PL_REPLY_CODE_OK);
    rig.inputs = PL_INPUT_STOP_RELEASED;
    rig_ticks(1);
    rig.inputs = BOTH;
    rig_ticks(PL_DEBOUNCE_TICKS);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_LATCHED);
    CHECK_EQ(rig_command(PL_RESET_LATCH, NULL, 0), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_OK); /* the order had stayed armed */
    rig_ticks(1);
    CHECK(LAMP_ON);
}

static void inputs_still_open_refuse_light(void)
{
    rig_power_on();
    rig_heartbeat();
    CHECK_EQ(rig_arm(rig_plain()), PL_REPLY_CODE_INTERLOCK_OPEN);
    rig.inputs = PL_INPUT_INTERLOCK_CLOSED;
    rig_ticks(PL_DEBOUNCE_TICKS);
    CHECK_EQ(rig_arm(rig_plain()), PL_REPLY_CODE_STOP_PRESSED);
    CHECK_EQ(rig_command(PL_RESET_LATCH, NULL, 0), PL_REPLY_CODE_STOP_PRESSED);
    CHECK_EQ(rig.core.latched, 0);
}

const test_case input_tests[] = {
    TEST(outputs_are_off_from_the_first_moment),
    TEST(inputs_close_after_debounce),
    TEST(one_bounce_begins_the_debounce_anew),
    TEST(interlock_drops_the_lamp),
    TEST(stop_button_drops_the_lamp),
    TEST(opening_in_the_dark_latches_too),
    TEST(inputs_still_open_refuse_light),
    TESTS_END,
};
