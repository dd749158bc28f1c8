/* Seeded chaos: whatever comes in, no light without an order, an interlock and a released stop. */
#include "rig.h"

static uint32_t state;

static uint32_t next(uint32_t below) /* xorshift32, Marsaglia 2003 */
{
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state % below;
}

static void check_dark_or_allowed(void)
{
    const pl_core *core = &rig.core;
    if (LAMP_ON) {
        CHECK_EQ(core->order.state, PL_ORDER_STATE_OPEN);
        CHECK(!core->latched);
        CHECK_EQ(rig.inputs, PL_INPUT_INTERLOCK_CLOSED | PL_INPUT_STOP_RELEASED);
        CHECK(core->order.sum < core->order.target);
        CHECK(core->tick - core->order.open_tick < core->order.guard_ticks);
    } else {
        CHECK(core->order.state != PL_ORDER_STATE_OPEN);
    }
}

static void random_bytes(void)
{
    state = 20250101;
    rig_ready();
    for (int i = 0; i < 20000; i++) {
        uint32_t n = next(80);
        for (uint32_t k = 0; k < n; k++)
            pl_rx_byte(&rig.core.link, (uint8_t)(next(4) ? next(256) : 0));
        rig_forget();
        rig_ticks(1);
        CHECK_EQ(rig.pins, 0); /* no noise has a good CRC in this seed */
    }
}

static void one_random_command(void)
{
    rig_order order = {1 + next(2), {(uint16_t)next(3), 0, 0, (uint16_t)next(3)},
                       (int32_t)next(5) - 2, (int64_t)next(200), next(100), (uint16_t)next(60),
                       (uint8_t)next(3)};
    uint8_t noise[PL_MAX_COMMAND];
    switch (next(12)) {
    case 0: case 1: rig_arm(order); break;
    case 2: case 3: rig_u32(PL_OPEN, 1 + next(2)); break;
    case 4: rig_u32(PL_CLOSE, next(3)); break;
    case 5: rig_u32(PL_DISARM, 1 + next(2)); break;
    case 6: rig_rearm(1 + next(2), (int64_t)next(300) - 10); break;
    case 7: rig_set_output((uint8_t)next(4), (uint8_t)next(3), (uint16_t)next(50)); break;
    case 8: rig_command(PL_RESET_LATCH, NULL, 0); break;
    case 9: rig_command(PL_GET_ORDER, NULL, 0); break;
    case 10: rig_heartbeat(); break;
    default:
        for (uint8_t i = 0; i < sizeof noise; i++)
            noise[i] = (uint8_t)next(256);
        {
            uint8_t type = (uint8_t)(0x40u + next(16));
            rig_command(type, noise, pl_command_size(type) <= sizeof noise ? pl_command_size(type)
                                                                           : 3);
        }
    }
}

static void random_commands(bool interrupts)
{
    int opened = 0;
    state = 4711;
    rig_ready();
    rig.interrupts = interrupts;
    for (int i = 0; i < 40000; i++) {
        rig_forget();
        one_random_command();
        rig.analog[0] = (uint16_t)next(9);
        if (next(40) == 0)
            rig.inputs = (uint8_t)next(4);
        else if (next(10) == 0)
            rig.inputs = 3;
        for (uint32_t n = next(interrupts ? 3 : 12); n > 0; n--) {
            pl_sample_tick(&rig.core, rig.analog, rig.inputs);
            check_dark_or_allowed();
            rig_poll();
        }
        opened += rig_events(PL_EVENT_CODE_LAMP_OPENED);
    }
    CHECK(opened > 200); /* the chaos did get there */
}

static void random_commands_between_ticks(void)
{
    random_commands(false);
}

static void random_commands_with_ticks_falling_in(void)
{
    random_commands(true);
}

const test_case chaos_tests[] = {
    TEST(random_bytes),
    TEST(random_commands_between_ticks),
    TEST(random_commands_with_ticks_falling_in),
    TESTS_END,
};
