/* Commands: the code of every refusal, and what a resent command does. */
#include <string.h>

#include "rig.h"

static void hello_says_who_and_why(void)
{
    const pl_config config = {PL_BOARD_HOST, 2, 12, 9, PL_RESET_CAUSE_WATCHDOG, 0xDEADBEEFu, 500};
    rig_power_on_with(&config);
    CHECK_EQ(rig.frames, 2);
    CHECK_EQ(rig.frame[0].type, PL_HELLO);
    CHECK_EQ(rig.frame[0].seq, 0);
    const uint8_t *hello = rig.frame[0].payload;
    CHECK_EQ(pl_get_hello_protocol(hello), PL_PROTOCOL_VERSION);
    CHECK_EQ(pl_get_hello_board(hello), PL_BOARD_HOST);
    CHECK_EQ(pl_get_hello_light_channels(hello), 2);
    CHECK_EQ(pl_get_hello_adc_bits(hello), 12);
    CHECK_EQ(pl_get_hello_capabilities(hello), 9);
    CHECK_EQ(pl_get_hello_reset_cause(hello), PL_RESET_CAUSE_WATCHDOG);
    CHECK_EQ(pl_get_hello_boot_id(hello), 0xDEADBEEFu);
    CHECK_EQ(pl_get_hello_tick(hello), 500);
    CHECK_EQ(pl_get_hello_tick_hz(hello), 1000);
    CHECK_EQ(pl_get_hello_frame_ticks(hello), 50);
    CHECK_EQ(rig.frame[1].type, PL_EVENT);
    CHECK_EQ(rig.frame[1].seq, 1);
    CHECK_EQ(pl_get_event_number(rig.frame[1].payload), 1);
    CHECK_EQ(rig_event_arg(PL_EVENT_CODE_BOOT), PL_RESET_CAUSE_WATCHDOG);
}

static void hello_on_request(void)
{
    rig_ready();
    uint8_t protocol = PL_PROTOCOL_VERSION;
    CHECK_EQ(rig_command(PL_GET_HELLO, &protocol, 1), PL_REPLY_CODE_OK);
    CHECK_EQ(pl_get_hello_tick(rig_last(PL_HELLO)->payload), PL_DEBOUNCE_TICKS);
    rig_forget();
    protocol = PL_PROTOCOL_VERSION + 1;
    CHECK_EQ(rig_command(PL_GET_HELLO, &protocol, 1), PL_REPLY_CODE_WRONG_PROTOCOL);
    CHECK_EQ(rig_count(PL_HELLO), 1); /* it still says what it speaks */
}

static void unknown_types(void)
{
    rig_ready();
    for (unsigned type = 0; type < 256; type++) {
        int code = rig_command((uint8_t)type, (const uint8_t *)"123456789", 9);
        rig_forget();
        if (type < PL_FIRST_COMMAND) { /* an echo */
            CHECK_EQ(code, -1);
            CHECK_EQ(rig.core.link.rx_bad, type + 1);
            continue;
        }
        CHECK_EQ(rig.core.link.rx_bad, PL_FIRST_COMMAND);
        CHECK_EQ(code, type >= PL_GET_HELLO && type <= PL_GET_SUPPLY ? PL_REPLY_CODE_BAD_LENGTH
                                                                  : PL_REPLY_CODE_UNKNOWN_TYPE);
    }
}

static void wrong_lengths(void)
{
    uint8_t payload[PL_MAX_PAYLOAD] = {0};
    rig_ready();
    for (uint8_t type = PL_GET_HELLO; type <= PL_GET_LOG; type++) {
        uint8_t right = pl_command_size(type);
        CHECK_EQ(rig_command(type, payload, (uint8_t)(right + 1u)), PL_REPLY_CODE_BAD_LENGTH);
        if (right > 0)
            CHECK_EQ(rig_command(type, payload, (uint8_t)(right - 1u)), PL_REPLY_CODE_BAD_LENGTH);
        rig_forget();
    }
    CHECK_EQ(rig.core.link.rx_bad, 0);
}

static void arm_refuses_bad_values(void)
{
    rig_ready();
    rig_order good = rig_plain(), order;
    order = good, order.order = 0;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    order = good, order.weight[0] = 0;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    order = good, order.target = 0;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    order = good, order.target = INT64_MIN;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    order = good, order.target = PL_TARGET_MAX + 1;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    order = good, order.guard_ticks = 0;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    order = good, order.silence_ticks = 0;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    order = good, order.silence_policy = 2;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_NONE);
    order = good, order.target = PL_TARGET_MAX;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
    order = good, order.target = 1;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
}

static void arm_needs_a_weighted_channel_that_exists(void)
{
    const pl_config config = {PL_BOARD_HOST, 2, 10, 15, 0, 1, 0};
    rig_power_on_with(&config);
    rig_ticks(PL_DEBOUNCE_TICKS);
    rig_order order = rig_plain();
    order.weight[0] = 0, order.weight[2] = 5;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_BAD_VALUE);
    order.weight[1] = 1;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
}

static void a_device_without_lamp_output_takes_no_order(void)
{
    const pl_config config = {PL_BOARD_HOST, 4, 10, PL_CAPABILITY_VACUUM, 0, 1, 0};
    rig_power_on_with(&config);
    rig_ticks(PL_DEBOUNCE_TICKS);
    rig_heartbeat();
    CHECK_EQ(rig_arm(rig_plain()), PL_REPLY_CODE_WRONG_STATE);
}

static void arm_in_each_state(void)
{
    rig_ready();
    rig_order order = rig_plain();
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK); /* resent: said once */
    CHECK_EQ(rig_events(PL_EVENT_CODE_ORDER_ARMED), 1);
    order.order = 2;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK); /* another one takes its place */
    CHECK_EQ(rig.core.order.number, 2);
    CHECK_EQ(rig_events(PL_EVENT_CODE_ORDER_ARMED), 2);
    CHECK_EQ(rig_u32(PL_OPEN, 2), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK); /* a late double between Open and the tick */
    CHECK_EQ(rig_rearm(2, 5000), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_WRONG_STATE); /* the order is another one by now */
    order.target = 5000;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_events(PL_EVENT_CODE_ORDER_ARMED), 2);
    order.order = 3;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_WRONG_STATE);
    rig_ticks(1);
    CHECK(LAMP_ON);
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_WRONG_STATE);
    order.order = 2;
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_WRONG_STATE);
    CHECK(LAMP_ON);
    rig_u32(PL_CLOSE, 2);
    rig_ticks(1);
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
}

static void each_field_makes_another_order(void)
{
    rig_order good = rig_plain();
    for (int field = 0; field < 7; field++) {
        rig_order order = good;
        switch (field) {
        case 0: order.order++; break;
        case 1: order.weight[3]++; break;
        case 2: order.bias--; break;
        case 3: order.target++; break;
        case 4: order.guard_ticks++; break;
        case 5: order.silence_ticks++; break;
        default: order.silence_policy ^= 1; break;
        }
        rig_ready();
        rig_arm(good);
        CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
        CHECK_EQ(rig_events(PL_EVENT_CODE_ORDER_ARMED), 2);
    }
}

static void open_in_each_state(void)
{
    rig_ready();
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_WRONG_STATE);
    rig_arm(rig_plain());
    CHECK_EQ(rig_u32(PL_OPEN, 2), PL_REPLY_CODE_WRONG_ORDER);
    CHECK_EQ(rig_u32(PL_OPEN, 0), PL_REPLY_CODE_WRONG_ORDER);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_OK); /* resent before the tick */
    rig_ticks(1);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_OK); /* and after it */
    CHECK_EQ(rig_u32(PL_OPEN, 2), PL_REPLY_CODE_WRONG_ORDER);
    rig_ticks(1);
    CHECK_EQ(rig_events(PL_EVENT_CODE_LAMP_OPENED), 1);
    rig_u32(PL_CLOSE, 1);
    rig_ticks(1);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_WRONG_STATE); /* an order opens once */
}

static void open_needs_a_young_heartbeat(void)
{
    rig_power_on();
    rig_ticks(PL_DEBOUNCE_TICKS);
    rig_order order = rig_plain();
    order.silence_ticks = 65535;
    rig_arm(order);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_HOST_SILENT); /* there never was one */
    order.silence_ticks = 30;
    rig_arm(order);
    rig_heartbeat();
    rig_ticks(30);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_HOST_SILENT);
    rig_heartbeat();
    rig_ticks(29);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_OK);
}

static void rearm_in_each_state(void)
{
    rig_ready();
    CHECK_EQ(rig_rearm(1, 5), PL_REPLY_CODE_WRONG_STATE);
    rig_arm(rig_plain());
    CHECK_EQ(rig_rearm(2, 5), PL_REPLY_CODE_WRONG_ORDER);
    CHECK_EQ(rig_rearm(1, 0), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig_rearm(1, -1), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig_rearm(1, PL_TARGET_MAX + 1), PL_REPLY_CODE_BAD_VALUE);
    CHECK_EQ(rig_rearm(1, PL_TARGET_MAX), PL_REPLY_CODE_OK);
    rig_u32(PL_OPEN, 1);
    rig_ticks(1);
    CHECK_EQ(rig_rearm(2, 5), PL_REPLY_CODE_WRONG_ORDER);
    CHECK_EQ(rig_rearm(1, 0), PL_REPLY_CODE_BAD_VALUE);
    CHECK(LAMP_ON);
    rig_u32(PL_CLOSE, 1);
    rig_ticks(1);
    CHECK_EQ(rig_rearm(1, 5), PL_REPLY_CODE_WRONG_STATE);
}

static void disarm_in_each_state(void)
{
    rig_ready();
    CHECK_EQ(rig_u32(PL_DISARM, 1), PL_REPLY_CODE_OK); /* nothing is armed: as wished */
    rig_arm(rig_plain());
    CHECK_EQ(rig_u32(PL_DISARM, 2), PL_REPLY_CODE_WRONG_ORDER);
    CHECK_EQ(rig_u32(PL_DISARM, 1), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_u32(PL_DISARM, 1), PL_REPLY_CODE_OK); /* resent */
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_WRONG_STATE);
    rig_open(rig_plain());
    CHECK_EQ(rig_u32(PL_DISARM, 1), PL_REPLY_CODE_WRONG_STATE);
    CHECK(LAMP_ON);
    rig_u32(PL_CLOSE, 1);
    rig_ticks(1);
    CHECK_EQ(rig_u32(PL_DISARM, 1), PL_REPLY_CODE_WRONG_STATE);
}

static void close_in_each_state(void)
{
    rig_ready();
    CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_u32(PL_CLOSE, 1), PL_REPLY_CODE_WRONG_ORDER);
    rig_arm(rig_plain());
    CHECK_EQ(rig_u32(PL_CLOSE, 0), PL_REPLY_CODE_OK); /* nothing is lit: as wished */
    CHECK_EQ(rig_u32(PL_CLOSE, 1), PL_REPLY_CODE_WRONG_STATE); /* Disarm is the word for it */
    CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_ARMED);
}

static void frame_ticks_limits(void)
{
    uint8_t p[2];
    static const struct {
        uint16_t ticks;
        int code;
    } cases[] = {{9, PL_REPLY_CODE_BAD_VALUE}, {10, PL_REPLY_CODE_OK},
                 {1000, PL_REPLY_CODE_OK},     {1001, PL_REPLY_CODE_BAD_VALUE},
                 {0, PL_REPLY_CODE_BAD_VALUE}};
    rig_ready();
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        pl_set_set_frame_frame_ticks(p, cases[i].ticks);
        CHECK_EQ(rig_command(PL_SET_FRAME, p, 2), cases[i].code);
    }
    CHECK_EQ(rig.core.frame_ticks, 1000);
}

const test_case command_tests[] = {
    TEST(hello_says_who_and_why),
    TEST(hello_on_request),
    TEST(unknown_types),
    TEST(wrong_lengths),
    TEST(arm_refuses_bad_values),
    TEST(arm_needs_a_weighted_channel_that_exists),
    TEST(a_device_without_lamp_output_takes_no_order),
    TEST(arm_in_each_state),
    TEST(each_field_makes_another_order),
    TEST(open_in_each_state),
    TEST(open_needs_a_young_heartbeat),
    TEST(rearm_in_each_state),
    TEST(disarm_in_each_state),
    TEST(close_in_each_state),
    TEST(frame_ticks_limits),
    TESTS_END,
};
