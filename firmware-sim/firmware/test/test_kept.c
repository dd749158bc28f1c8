/* Sums and order over a reset, for boards whose memory survives it. */
#include <stddef.h>
#include <string.h>

#include "pl_kept.h"
#include "rig.h"

static pl_kept slots[2];

static void restart(void)
{
    pl_config config = {PL_BOARD_HOST, 4, 10, 15, PL_RESET_CAUSE_BROWN_OUT, 78, 0};
    const pl_kept *kept = pl_kept_find(slots);
    if (kept != NULL)
        config.tick = kept->tick;
    rig_power_on_with(&config);
    if (kept != NULL)
        pl_kept_restore(&rig.core, kept);
}

static void lose_power_while_open(void)
{
    memset(slots, 0xA5, sizeof slots);
    rig_ready();
    rig.analog[0] = 10;
    rig_open(rig_plain());
    rig_ticks(9);
    pl_kept_save(&rig.core, slots);
    rig_ticks(5); /* after the last save: lost */
}

static void an_open_order_comes_back_closed_and_dark(void)
{
    lose_power_while_open();
    restart();
    CHECK_EQ(rig.pins, 0);
    CHECK_EQ(rig.core.tick, 30);
    CHECK_EQ(pl_get_hello_tick(rig_last(PL_HELLO)->payload), 30);
    rig_ticks(PL_DEBOUNCE_TICKS + 5);
    CHECK(!LAMP_ON);
    const uint8_t *report = rig_report();
    CHECK_EQ(pl_get_order_report_state(report), PL_ORDER_STATE_CLOSED);
    CHECK_EQ(pl_get_order_report_close_reason(report), PL_CLOSE_REASON_NONE);
    CHECK_EQ(pl_get_order_report_open_tick(report), 21);
    CHECK_EQ(pl_get_order_report_close_tick(report), 30);
    CHECK_EQ(pl_get_order_report_order_sum(report), 90);
    CHECK_EQ(pl_get_order_report_close_sum(report, 0) - pl_get_order_report_open_sum(report, 0),
             90);
    CHECK_EQ(pl_get_order_report_boot_id(report), 78);
    CHECK_EQ(rig_u32(PL_OPEN, 1), PL_REPLY_CODE_WRONG_STATE);
}

static void armed_and_pending_orders_are_gone_and_the_latch_stays(void)
{
    memset(slots, 0, sizeof slots);
    rig_ready();
    rig_arm(rig_plain());
    rig_u32(PL_OPEN, 1);
    pl_kept_save(&rig.core, slots);
    restart();
    rig_ticks(PL_DEBOUNCE_TICKS + 1);
    CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_NONE);
    CHECK(!LAMP_ON);
    rig.inputs = 0;
    rig_ticks(1);
    pl_kept_save(&rig.core, slots);
    restart();
    CHECK_EQ(rig.core.latched, 1);
}

static void every_spoiled_bit_is_seen(void)
{
    lose_power_while_open();
    CHECK(pl_kept_find(slots) != NULL);
    uint8_t *bytes = (uint8_t *)(void *)(uintptr_t)pl_kept_find(slots);
    size_t guarded = offsetof(pl_kept, crc) + 2;
    for (size_t i = 0; i < guarded * 8; i++) {
        bytes[i / 8] = (uint8_t)(bytes[i / 8] ^ (1u << i % 8));
        CHECK(pl_kept_find(slots) == NULL);
        bytes[i / 8] = (uint8_t)(bytes[i / 8] ^ (1u << i % 8));
    }
}

static void the_older_slot_serves_when_the_newer_is_half_written(void)
{
    memset(slots, 0, sizeof slots);
    rig_ready();
    uint32_t before_last = 0;
    for (uint32_t i = 0; i < 70000; i++) { /* the turn counter wraps on the way */
        pl_sample_tick(&rig.core, rig.analog, rig.inputs);
        if (i < 10 || i > 65500) {
            before_last = pl_kept_find(slots) ? pl_kept_find(slots)->tick : 0;
            pl_kept_save(&rig.core, slots);
            CHECK_EQ(pl_kept_find(slots)->tick, rig.core.tick);
        }
    }
    pl_kept *newest = (pl_kept *)(uintptr_t)pl_kept_find(slots);
    newest->order.target ^= 1;
    CHECK_EQ(pl_kept_find(slots)->tick, before_last);
}

static void the_turn_counter_wraps(void)
{
    memset(slots, 0, sizeof slots);
    rig_ready();
    for (uint32_t i = 0; i < 65540; i++) {
        rig.core.tick = i;
        pl_kept_save(&rig.core, slots);
        if (i % 4096 == 0 || i > 65530)
            CHECK_EQ(pl_kept_find(slots)->tick, i);
    }
}

static void nothing_kept_starts_from_nothing(void)
{
    memset(slots, 0xFF, sizeof slots);
    restart();
    CHECK_EQ(rig.core.tick, 0);
    CHECK_EQ(rig.core.order.state, PL_ORDER_STATE_NONE);
}

const test_case kept_tests[] = {
    TEST(an_open_order_comes_back_closed_and_dark),
    TEST(armed_and_pending_orders_are_gone_and_the_latch_stays),
    TEST(every_spoiled_bit_is_seen),
    TEST(the_older_slot_serves_when_the_newer_is_half_written),
    TEST(the_turn_counter_wraps),
    TEST(nothing_kept_starts_from_nothing),
    TESTS_END,
};
