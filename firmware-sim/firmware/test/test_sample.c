/* Sums, windows and the rhythm of the Sample messages. */
#include "rig.h"

static const uint8_t *sample(void)
{
    const rig_frame *frame = rig_last(PL_SAMPLE);
    CHECK(frame != NULL);
    return frame->payload;
}

static void one_every_frame_ticks(void)
{
    rig_power_on();
    rig_forget();
    rig_ticks(PL_FRAME_TICKS - 1);
    CHECK_EQ(rig_count(PL_SAMPLE), 0);
    rig_ticks(1);
    CHECK_EQ(rig_count(PL_SAMPLE), 1);
    CHECK_EQ(pl_get_sample_tick(sample()), 50);
    rig_ticks(PL_FRAME_TICKS * 3);
    CHECK_EQ(rig_count(PL_SAMPLE), 4);
    CHECK_EQ(pl_get_sample_tick(sample()), 200);
}

static void another_rhythm_takes_effect_at_once(void)
{
    uint8_t p[2];
    rig_power_on();
    pl_set_set_frame_frame_ticks(p, 10);
    rig_command(PL_SET_FRAME, p, 2);
    rig_ticks(9);
    CHECK_EQ(rig_count(PL_SAMPLE), 0);
    rig_ticks(1);
    CHECK_EQ(rig_count(PL_SAMPLE), 1);
    rig_ticks(10);
    CHECK_EQ(rig_count(PL_SAMPLE), 2);
}

static void another_rhythm_puts_nothing_off(void)
{
    uint8_t p[2];
    rig_ready(); /* tick 20: the next Sample is due in the 50th */
    rig_ticks(25);
    pl_set_set_frame_frame_ticks(p, 1000);
    CHECK_EQ(rig_command(PL_SET_FRAME, p, 2), PL_REPLY_CODE_OK);
    rig_ticks(5);
    CHECK_EQ(rig_count(PL_SAMPLE), 1);
    CHECK_EQ(pl_get_sample_tick(rig_last(PL_SAMPLE)->payload), 50);
    rig_ticks(1000);
    CHECK_EQ(pl_get_sample_tick(rig_last(PL_SAMPLE)->payload), 1050);
    CHECK_EQ(rig_count(PL_SAMPLE), 2);
}

static void sums_are_cumulative_and_windows_are_not(void)
{
    rig_power_on();
    for (uint16_t block = 0; block < 3; block++) {
        for (uint16_t tick = 0; tick < PL_FRAME_TICKS; tick++) {
            rig.analog[0] = (uint16_t)(100 * block + tick);
            rig.analog[3] = 7;
            rig.analog[PL_VACUUM] = (uint16_t)(1000 * block + 500 - tick);
            rig.analog[PL_OVEN] = block;
            rig.analog[PL_HEAD] = 65535;
            rig_ticks(1);
        }
        const uint8_t *p = sample();
        uint32_t n = (uint32_t)(block + 1) * 50u;
        CHECK_EQ(pl_get_sample_light_sum(p, 0),
                 1225 * (block + 1) + 5000 * (block * (block + 1) / 2));
        CHECK_EQ(pl_get_sample_light_count(p, 0), n);
        CHECK_EQ(pl_get_sample_light_sum(p, 3), 7 * n);
        CHECK_EQ(pl_get_sample_light_min(p, 0), 100 * block);
        CHECK_EQ(pl_get_sample_light_max(p, 0), 100 * block + 49);
        CHECK_EQ(pl_get_sample_light_min(p, 1), 0);
        CHECK_EQ(pl_get_sample_vacuum_sum(p), 50 * (1000 * block + 500) - 1225);
        CHECK_EQ(pl_get_sample_vacuum_count(p), 50);
        CHECK_EQ(pl_get_sample_vacuum_min(p), 1000 * block + 451);
        CHECK_EQ(pl_get_sample_vacuum_max(p), 1000 * block + 500);
        CHECK_EQ(pl_get_sample_oven_sum(p), 50 * block);
        CHECK_EQ(pl_get_sample_head_sum(p), 50 * 65535);
        CHECK_EQ(pl_get_sample_head_count(p), 50);
    }
}

static void absent_channels_count_nothing(void)
{
    const pl_config config = {PL_BOARD_HOST, 1, 10, PL_CAPABILITY_LAMP_OUTPUT, 0, 1, 0};
    rig_power_on_with(&config);
    for (int i = 0; i < PL_ANALOG; i++)
        rig.analog[i] = 99;
    rig_ticks(50);
    const uint8_t *p = sample();
    CHECK_EQ(pl_get_sample_light_sum(p, 0), 4950);
    CHECK_EQ(pl_get_sample_light_count(p, 1), 0);
    CHECK_EQ(pl_get_sample_light_sum(p, 1), 0);
    CHECK_EQ(pl_get_sample_light_max(p, 1), 0);
    CHECK_EQ(pl_get_sample_vacuum_count(p), 0);
    CHECK_EQ(pl_get_sample_oven_count(p), 0);
    CHECK_EQ(pl_get_sample_head_count(p), 0);
}

static void more_channels_than_there_are_become_four(void)
{
    const pl_config config = {PL_BOARD_HOST, 9, 10, 15, 0, 1, 0};
    rig_power_on_with(&config);
    rig_ticks(50);
    CHECK_EQ(rig.core.config.light_channels, 4);
}

static void water_is_the_fourth_channel_and_no_light(void)
{
    const pl_config config = {
        PL_BOARD_HOST, 4, 10, PL_CAPABILITY_LAMP_OUTPUT | PL_CAPABILITY_WATER, 0, 1, 0};
    rig_power_on_with(&config);
    CHECK_EQ(rig.core.config.light_channels, 3);
    rig_ticks(20);
    rig_heartbeat();
    rig_order order = rig_plain();
    order.weight[0] = 0, order.weight[PL_WATER] = 1;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    rig.analog[PL_WATER] = 9;
    order.weight[0] = 1;
    rig_open(order);
    rig.analog[PL_WATER] = 11;
    rig_ticks(29);
    const uint8_t *p = sample();
    CHECK_EQ(pl_get_sample_light_count(p, PL_WATER), 50);
    CHECK_EQ(pl_get_sample_light_sum(p, PL_WATER), 9 + 29 * 11);
    CHECK_EQ(pl_get_sample_light_max(p, PL_WATER), 11);
    CHECK_EQ(pl_get_sample_order_sum(p), 0);
}

static void sums_pass_32_bits(void)
{
    rig_power_on();
    rig.analog[1] = 65535;
    for (int i = 0; i < 70000; i++)
        pl_sample_tick(&rig.core, rig.analog, rig.inputs);
    rig_poll();
    const uint8_t *p = sample();
    CHECK_EQ(pl_get_sample_light_sum(p, 1), INT64_C(70000) * 65535);
    CHECK_EQ(pl_get_sample_light_count(p, 1), 70000);
}

static void counts_wrap_with_the_tick_and_sums_do_not(void)
{
    const pl_config config = {PL_BOARD_HOST, 4, 10, 15, 0, 1, 0xFFFFFFFFu - 60u};
    rig_power_on_with(&config);
    for (uint8_t i = 0; i < 4; i++)
        rig.core.light_count[i] = config.tick; /* as if it had counted since tick 0 */
    rig.analog[0] = 1000;
    rig_ticks(100);
    const uint8_t *sample = rig_last(PL_SAMPLE)->payload;
    CHECK_EQ(pl_get_sample_tick(sample), 100 - 61);
    CHECK_EQ(pl_get_sample_light_count(sample, 0), 100 - 61);
    CHECK_EQ(pl_get_sample_light_sum(sample, 0), 100 * 1000);
}

static void windows_go_on_over_a_dropped_frame(void)
{
    rig_ready();
    rig_ticks(30); /* tick 50: a Sample went */
    rig.line_stands = true;
    rig.analog[0] = 5;
    rig_ticks(100); /* two fill the ring */
    rig.analog[0] = 900, rig.analog[PL_VACUUM] = 3000;
    rig_ticks(1);
    rig.analog[0] = 5, rig.analog[PL_VACUUM] = 1;
    rig_ticks(99); /* two more are dropped */
    rig.line_stands = false;
    rig_ticks(50);
    const uint8_t *p = sample();
    CHECK_EQ(pl_get_sample_light_max(p, 0), 900); /* the peak is not lost with them */
    CHECK_EQ(pl_get_sample_vacuum_max(p), 3000);
    CHECK_EQ(pl_get_sample_vacuum_count(p), 150);
    rig_ticks(50);
    CHECK_EQ(pl_get_sample_light_max(sample(), 0), 5);
    CHECK_EQ(pl_get_sample_vacuum_count(sample()), 50);
}

static void a_window_nobody_fetches_stays_whole(void)
{
    rig_power_on();
    rig.analog[PL_VACUUM] = 65535;
    for (int i = 0; i < 65535; i++)
        pl_sample_tick(&rig.core, rig.analog, rig.inputs);
    rig.analog[PL_VACUUM] = 1;
    pl_sample_tick(&rig.core, rig.analog, rig.inputs);
    rig_poll();
    const uint8_t *p = sample();
    CHECK_EQ(pl_get_sample_vacuum_count(p), 65535);
    CHECK_EQ(pl_get_sample_vacuum_sum(p), UINT32_C(65535) * 65535u);
    CHECK_EQ(pl_get_sample_vacuum_min(p), 65535);
}

static void state_is_in_the_sample(void)
{
    rig_ready();
    rig.analog[0] = 2;
    rig_open(rig_plain());
    rig_set_output(PL_OUTPUT_VACUUM, 1, 1000);
    rig_bytes((const uint8_t *)"\x05\x01\x00", 3);
    rig_ticks(29);
    const uint8_t *p = sample();
    CHECK_EQ(pl_get_sample_tick(p), 50);
    CHECK_EQ(pl_get_sample_inputs(p), 3);
    CHECK_EQ(pl_get_sample_outputs(p), 3);
    CHECK_EQ(pl_get_sample_latched(p), 0);
    CHECK_EQ(pl_get_sample_order_state(p), PL_ORDER_STATE_OPEN);
    CHECK_EQ(pl_get_sample_order(p), 1);
    CHECK_EQ(pl_get_sample_order_sum(p), 58);
    CHECK_EQ(pl_get_sample_order_target(p), 1000000000);
    CHECK_EQ(pl_get_sample_rx_bad(p), 1);
    rig.inputs = 0;
    rig_ticks(50);
    p = sample();
    CHECK_EQ(pl_get_sample_inputs(p), 0);
    CHECK_EQ(pl_get_sample_outputs(p), 2);
    CHECK_EQ(pl_get_sample_latched(p), 1);
    CHECK_EQ(pl_get_sample_order_state(p), PL_ORDER_STATE_CLOSED);
    CHECK_EQ(pl_get_sample_close_reason(p), PL_CLOSE_REASON_INTERLOCK);
}

static void the_bandgap_is_told_when_asked(void)
{
    const pl_config config = {PL_BOARD_HOST, 1, 10, PL_CAPABILITY_SUPPLY, 0, 1, 0};
    rig_power_on_with(&config);
    rig.analog[PL_BANDGAP] = 225;
    rig_ticks(40);
    rig_forget();
    CHECK_EQ(rig_command(PL_GET_SUPPLY, NULL, 0), PL_REPLY_CODE_OK);
    const uint8_t *p = rig_last(PL_SUPPLY)->payload;
    CHECK_EQ(pl_get_supply_tick(p), 40);
    CHECK_EQ(pl_get_supply_bandgap_count(p), 40);
    CHECK_EQ(pl_get_supply_bandgap_sum(p), 40 * 225);
    for (int i = 0; i < 70; i++) { /* longer than a window counts: it stays whole */
        rig_ticks(1000);
        rig_forget();
    }
    CHECK_EQ(rig_command(PL_GET_SUPPLY, NULL, 0), PL_REPLY_CODE_OK);
    p = rig_last(PL_SUPPLY)->payload;
    CHECK_EQ(pl_get_supply_bandgap_count(p), 65535);
    CHECK_EQ(pl_get_supply_bandgap_sum(p), 65535 * 225);
}

static void without_a_bandgap_the_question_is_unknown(void)
{
    const pl_config config = {PL_BOARD_HOST, 1, 10, PL_CAPABILITY_LAMP_OUTPUT, 0, 1, 0};
    rig_power_on_with(&config);
    rig_ticks(40);
    rig_forget();
    CHECK_EQ(rig_command(PL_GET_SUPPLY, NULL, 0), PL_REPLY_CODE_UNKNOWN_TYPE);
}

const test_case sample_tests[] = {
    TEST(one_every_frame_ticks),
    TEST(another_rhythm_takes_effect_at_once),
    TEST(another_rhythm_puts_nothing_off),
    TEST(sums_are_cumulative_and_windows_are_not),
    TEST(absent_channels_count_nothing),
    TEST(more_channels_than_there_are_become_four),
    TEST(water_is_the_fourth_channel_and_no_light),
    TEST(sums_pass_32_bits),
    TEST(counts_wrap_with_the_tick_and_sums_do_not),
    TEST(windows_go_on_over_a_dropped_frame),
    TEST(a_window_nobody_fetches_stays_whole),
    TEST(state_is_in_the_sample),
    TEST(the_bandgap_is_told_when_asked),
    TEST(without_a_bandgap_the_question_is_unknown),
    TESTS_END,
};
