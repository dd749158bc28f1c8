/* The device's own limits of light: the longest order, any hour, and a pin that trusts nobody. */
#include <string.h>

#include "pl_kept.h"
#include "rig.h"

#define SLICE PL_SLICE_TICKS

/* Ticks without the main loop between them: an hour takes a moment. */
static void pass(uint32_t n)
{
    while (n--)
        pl_sample_tick(&rig.core, rig.analog, rig.inputs);
}

static rig_order guarded(uint32_t guard_ticks)
{
    rig_order order = rig_plain();
    order.guard_ticks = guard_ticks;
    order.silence_policy = PL_SILENCE_POLICY_FINISH;
    return order;
}

/* Light for exactly so long, by the guard; nobody sends a Heartbeat meanwhile. */
static void shine(uint32_t ticks)
{
    rig_heartbeat();
    rig_open(guarded(ticks));
    pass(ticks - 1);
    CHECK(LAMP_ON);
    pass(1);
    CHECK(!LAMP_ON);
    rig_forget();
}

static void arm_takes_no_longer_order(void)
{
    static const uint32_t refused[] = {PL_ORDER_TICKS_MAX + 1u, PL_HOUR_LIT_MAX + 1u,
                                       PL_HOUR_TICKS + 1u, 0x80000000u, 0xFFFFFFFFu};
    rig_ready();
    for (size_t i = 0; i < sizeof refused / sizeof refused[0]; i++)
        CHECK_EQ(rig_arm(guarded(refused[i])), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_NONE);
    CHECK_EQ(rig_arm(guarded(PL_ORDER_TICKS_MAX)), PL_REPLY_CODE_OK);
}

static void a_silent_host_gets_no_more_than_the_longest_order(void)
{
    const pl_config config = {PL_BOARD_HOST, 4, 10, 15, 0, 1, 0u - 1000u};
    rig_power_on_with(&config);
    rig_ticks(PL_DEBOUNCE_TICKS);
    shine(PL_ORDER_TICKS_MAX); /* over the wrap of the tick counter */
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_GUARD);
    CHECK_EQ(rig.core.order.close_tick - rig.core.order.open_tick, PL_ORDER_TICKS_MAX);
    CHECK(rig.core.order.open_tick > rig.core.order.close_tick);
}

static void a_spoiled_guard_is_not_believed(void)
{
    rig_ready();
    rig_open(guarded(1000));
    rig.core.order.guard_ticks = 0xFFFFFFFFu;
    pass(PL_ORDER_TICKS_MAX - 1);
    CHECK(LAMP_ON);
    pass(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_GUARD);
}

static void nor_is_an_order_that_never_grows_older(void)
{
    rig_ready();
    rig_open(guarded(1000));
    for (uint32_t i = 0; i < PL_HOUR_LIT_MAX - 1; i++) {
        rig.core.order.open_tick = rig.core.tick;
        pass(1);
    }
    CHECK(LAMP_ON);
    pass(1);
    CHECK(!LAMP_ON);
    CHECK_EQ(rig.core.order.reason, PL_CLOSE_REASON_GUARD);
}

static void an_hour_takes_no_more_than_its_light(void)
{
    rig_ready();
    shine(PL_ORDER_TICKS_MAX);
    uint32_t left = PL_HOUR_LIT_MAX - PL_ORDER_TICKS_MAX;
    CHECK_EQ(rig_arm(guarded(left + 1)), PL_REPLY_CODE_BAD_VALUE);
    shine(left);
    CHECK_EQ(rig_arm(guarded(1)), PL_REPLY_CODE_BAD_VALUE);
    uint32_t first = rig.core.tick; /* dark from here on */
    while (rig_arm(guarded(SLICE)) != PL_REPLY_CODE_OK) {
        CHECK(rig.core.tick < PL_HOUR_TICKS + 2 * SLICE);
        rig_forget();
        pass(1000);
    }
    CHECK(rig.core.tick > PL_HOUR_TICKS); /* the light of 20 ms after start has an age of an hour */
    CHECK(rig.core.tick > first);
}

static void rearm_disarm_and_new_orders_give_no_more_light(void)
{
    rig_ready();
    uint32_t lit = 0;
    for (uint32_t number = 1; rig.core.tick < PL_HOUR_TICKS; number++) {
        rig_order order = guarded(7001);
        order.order = number;
        rig_heartbeat();
        if (rig_arm(order) != PL_REPLY_CODE_OK)
            break;
        rig_u32(PL_DISARM, number);
        rig_arm(order);
        rig_u32(PL_OPEN, number);
        rig_ticks(1);
        rig_rearm(number, 2000000000);
        pass(7001);
        CHECK(!LAMP_ON);
        lit += 7001;
        rig_forget();
    }
    CHECK(lit <= PL_HOUR_LIT_MAX);
    CHECK(lit > PL_HOUR_LIT_MAX - 7001);
}

static void light_of_the_hour_survives_with_the_sums(void)
{
    static pl_kept slots[2];
    memset(slots, 0, sizeof slots);
    rig_ready();
    shine(PL_ORDER_TICKS_MAX);
    CHECK_EQ(pl_hour_lit(&rig.core), PL_ORDER_TICKS_MAX);
    pl_kept_save(&rig.core, slots);
    pl_config config = {PL_BOARD_HOST, 4, 10, 15, PL_RESET_CAUSE_WATCHDOG, 78, slots[0].tick};
    rig_power_on_with(&config);
    CHECK_EQ(pl_hour_lit(&rig.core), 0);
    pl_kept_restore(&rig.core, pl_kept_find(slots));
    rig_ticks(PL_DEBOUNCE_TICKS);
    CHECK_EQ(pl_hour_lit(&rig.core), PL_ORDER_TICKS_MAX);
    CHECK_EQ(rig_arm(guarded(PL_ORDER_TICKS_MAX)), PL_REPLY_CODE_BAD_VALUE);
    pass(PL_HOUR_TICKS);
    CHECK_EQ(rig_arm(guarded(PL_ORDER_TICKS_MAX)), PL_REPLY_CODE_BAD_VALUE);
    pass(SLICE);
    CHECK_EQ(rig_arm(guarded(PL_ORDER_TICKS_MAX)), PL_REPLY_CODE_OK);
    CHECK(pl_hour_lit(&rig.core) < PL_HOUR_STEP);
}

/* The order would have gone dark by itself in each of these: so the pin is asked alone. */
static void the_pin_needs_interlock_stop_latch_and_limits_whatever_the_order_says(void)
{
    for (int what = 0; what < 6; what++) {
        rig_ready();
        rig_open(guarded(1000));
        switch (what) {
        case 0: rig.core.inputs = PL_INPUT_STOP_RELEASED; break;
        case 1: rig.core.inputs = PL_INPUT_INTERLOCK_CLOSED; break;
        case 2: rig.core.latched = true; break;
        case 3: rig.core.order.open_tick = rig.core.tick - PL_ORDER_TICKS_MAX; break;
        case 4: rig.core.hour.sum = PL_HOUR_LIT_MAX; break;
        default: rig.core.order.state = PL_ORDER_STATE_ARMED; break;
        }
        pl_outputs_drive(&rig.core);
        CHECK(!LAMP_ON);
        CHECK_EQ(rig.core.outputs, 0); /* and Sample says so */
    }
}

static void a_forced_order_is_dark_in_every_tick_under_a_latch(void)
{
    rig_ready();
    rig_set_output(PL_OUTPUT_VACUUM, 1, 1000);
    rig.core.latched = true;
    rig.core.order.state = PL_ORDER_STATE_OPEN;
    rig.core.order.target = 1;
    rig.core.order.guard_ticks = 1000;
    rig.core.order.silence_ticks = 60000;
    rig.core.order.open_tick = rig.core.tick;
    for (int i = 0; i < 100; i++) {
        rig_ticks(1);
        CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_OPEN);
        CHECK_EQ(rig.pins, 1u << PL_OUTPUT_VACUUM);
    }
}

/* And the order alone, whatever the pin would do: it ends in that tick. */
static void a_forced_order_ends_at_once_with_an_input_open(void)
{
    static const uint8_t reasons[] = {PL_CLOSE_REASON_INTERLOCK, PL_CLOSE_REASON_INTERLOCK,
                                      PL_CLOSE_REASON_STOP};
    for (uint8_t inputs = 0; inputs < 3; inputs++) {
        rig_ready();
        rig.inputs = inputs == 1 ? PL_INPUT_STOP_RELEASED
                                 : inputs == 2 ? PL_INPUT_INTERLOCK_CLOSED : 0;
        rig_ticks(1);
        rig.core.order.state = PL_ORDER_STATE_OPEN;
        rig.core.order.target = 1;
        rig.core.order.guard_ticks = 1000;
        rig_ticks(1);
        CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_CLOSED);
        CHECK_EQ(rig.core.order.reason, reasons[inputs]);
        CHECK(!LAMP_ON);
    }
}

const test_case limits_tests[] = {
    TEST(arm_takes_no_longer_order),
    TEST(a_silent_host_gets_no_more_than_the_longest_order),
    TEST(a_spoiled_guard_is_not_believed),
    TEST(nor_is_an_order_that_never_grows_older),
    TEST(an_hour_takes_no_more_than_its_light),
    TEST(rearm_disarm_and_new_orders_give_no_more_light),
    TEST(light_of_the_hour_survives_with_the_sums),
    TEST(the_pin_needs_interlock_stop_latch_and_limits_whatever_the_order_says),
    TEST(a_forced_order_is_dark_in_every_tick_under_a_latch),
    TEST(a_forced_order_ends_at_once_with_an_input_open),
    TESTS_END,
};
