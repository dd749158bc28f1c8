/* The standing order: its life, and the decision of each tick. */
#include "pl_core.h"

#include <string.h>

static void snapshot(const pl_core *pl, uint64_t *sum, uint32_t *count)
{
    memcpy(sum, pl->light_sum, sizeof pl->light_sum);
    memcpy(count, pl->light_count, sizeof pl->light_count);
}

static void add(pl_order *order, const uint16_t *light, uint8_t channels)
{
    int64_t step = -(int64_t)order->bias;
    for (uint8_t i = 0; i < channels; i++)
        step += (int64_t)((uint32_t)order->weight[i] * light[i]);
    order->sum += step;
}

static bool silent(const pl_core *pl)
{
    return pl->heartbeat_age >= pl->order.silence_ticks;
}

/* The reason to be dark after this tick, by priority; NONE lets light be. */
static uint8_t decide(const pl_core *pl)
{
    const pl_order *order = &pl->order;
    if (!(pl->inputs & PL_INPUT_INTERLOCK_CLOSED))
        return PL_CLOSE_REASON_INTERLOCK;
    if (!(pl->inputs & PL_INPUT_STOP_RELEASED))
        return PL_CLOSE_REASON_STOP;
    if (order->state == PL_ORDER_STATE_OPEN) {
        if (order->sum >= order->target)
            return PL_CLOSE_REASON_DOSE;
        if ((uint32_t)(pl->tick - order->open_tick) >= order->guard_ticks ||
            pl_limits_reached(pl)) /* no order is armed past them; this does not rely on it */
            return PL_CLOSE_REASON_GUARD;
        if (silent(pl) && order->silence_policy == PL_SILENCE_POLICY_CLOSE)
            return PL_CLOSE_REASON_SILENCE;
    }
    return order->close_due ? PL_CLOSE_REASON_HOST : PL_CLOSE_REASON_NONE;
}

static void begin(pl_core *pl)
{
    pl_order *order = &pl->order;
    order->open_tick = pl->tick;
    snapshot(pl, order->open_sum, order->open_count);
    order->state = PL_ORDER_STATE_OPEN;
    order->open_due = false;
}

static void end(pl_core *pl, uint8_t reason)
{
    pl_order *order = &pl->order;
    order->close_tick = pl->tick;
    snapshot(pl, order->close_sum, order->close_count);
    order->state = PL_ORDER_STATE_CLOSED;
    order->reason = reason;
    order->close_due = false;
    pl_log_add(pl, PL_EVENT_CODE_LAMP_CLOSED, reason);
}

void pl_order_tick(pl_core *pl, const uint16_t *light)
{
    pl_order *order = &pl->order;
    if (order->state == PL_ORDER_STATE_OPEN) {
        add(order, light, pl->config.light_channels);
        if (silent(pl) && !pl->host_silent) {
            pl->host_silent = true;
            pl_log_add(pl, PL_EVENT_CODE_HOST_SILENT, 0);
        }
        uint8_t reason = decide(pl);
        if (reason != PL_CLOSE_REASON_NONE)
            end(pl, reason);
    } else if (order->open_due) {
        uint8_t reason = decide(pl);
        begin(pl);
        if (reason == PL_CLOSE_REASON_NONE)
            pl_log_add(pl, PL_EVENT_CODE_LAMP_OPENED, 0);
        else
            end(pl, reason); /* it never shone: an accepted Open still ends in CLOSED */
    }
}

uint8_t pl_light_refusal(const pl_core *pl)
{
    if (pl->latched)
        return PL_REPLY_CODE_LATCHED;
    if (!(pl->inputs & PL_INPUT_INTERLOCK_CLOSED))
        return PL_REPLY_CODE_INTERLOCK_OPEN;
    if (!(pl->inputs & PL_INPUT_STOP_RELEASED))
        return PL_REPLY_CODE_STOP_PRESSED;
    return PL_REPLY_CODE_OK;
}

static bool target_is_good(int64_t target)
{
    return target > 0 && target <= PL_TARGET_MAX;
}

static void read_order(pl_order *order, const uint8_t *payload)
{
    memset(order, 0, sizeof *order);
    order->number = pl_get_arm_order(payload);
    for (uint8_t i = 0; i < PL_LIGHT_CHANNELS; i++)
        order->weight[i] = pl_get_arm_weight(payload, i);
    order->bias = pl_get_arm_bias(payload);
    order->target = pl_get_arm_target(payload);
    order->guard_ticks = pl_get_arm_guard_ticks(payload);
    order->silence_ticks = pl_get_arm_silence_ticks(payload);
    order->silence_policy = pl_get_arm_silence_policy(payload);
    order->state = PL_ORDER_STATE_ARMED;
}

static bool order_is_good(const pl_core *pl, const uint8_t *payload)
{
    bool weighted = false;
    for (uint8_t i = 0; i < pl->config.light_channels; i++)
        weighted = weighted || pl_get_arm_weight(payload, i) != 0;
    return weighted && pl_get_arm_order(payload) != 0 &&
           target_is_good(pl_get_arm_target(payload)) && pl_get_arm_guard_ticks(payload) != 0 &&
           pl_limits_allow(pl, pl_get_arm_guard_ticks(payload)) &&
           pl_get_arm_silence_ticks(payload) != 0 &&
           pl_get_arm_silence_policy(payload) <= PL_SILENCE_POLICY_FINISH;
}

static bool same_order(const pl_order *order, const uint8_t *payload)
{
    bool same = order->number == pl_get_arm_order(payload) &&
                order->bias == pl_get_arm_bias(payload) &&
                order->target == pl_get_arm_target(payload) &&
                order->guard_ticks == pl_get_arm_guard_ticks(payload) &&
                order->silence_ticks == pl_get_arm_silence_ticks(payload) &&
                order->silence_policy == pl_get_arm_silence_policy(payload);
    for (uint8_t i = 0; i < PL_LIGHT_CHANNELS; i++)
        same = same && order->weight[i] == pl_get_arm_weight(payload, i);
    return same;
}

uint8_t pl_order_arm(pl_core *pl, const uint8_t *payload)
{
    pl_order *order = &pl->order;
    bool again = order->state == PL_ORDER_STATE_ARMED && same_order(order, payload);
    if (order->state == PL_ORDER_STATE_OPEN || (order->open_due && !again) ||
        !(pl->config.capabilities & PL_CAPABILITY_LAMP_OUTPUT))
        return PL_REPLY_CODE_WRONG_STATE;
    if (!order_is_good(pl, payload))
        return PL_REPLY_CODE_BAD_VALUE;
    uint8_t refusal = pl_light_refusal(pl);
    if (refusal != PL_REPLY_CODE_OK || again)
        return refusal;
    read_order(order, payload);
    pl_log_add(pl, PL_EVENT_CODE_ORDER_ARMED, 0);
    return PL_REPLY_CODE_OK;
}

uint8_t pl_order_rearm(pl_core *pl, uint32_t number, int64_t target)
{
    pl_order *order = &pl->order;
    if (order->state != PL_ORDER_STATE_ARMED && order->state != PL_ORDER_STATE_OPEN)
        return PL_REPLY_CODE_WRONG_STATE;
    if (number != order->number)
        return PL_REPLY_CODE_WRONG_ORDER;
    if (!target_is_good(target))
        return PL_REPLY_CODE_BAD_VALUE;
    order->target = target;
    return PL_REPLY_CODE_OK;
}

uint8_t pl_order_disarm(pl_core *pl, uint32_t number)
{
    pl_order *order = &pl->order;
    if (order->state == PL_ORDER_STATE_NONE)
        return PL_REPLY_CODE_OK;
    if (order->state != PL_ORDER_STATE_ARMED)
        return PL_REPLY_CODE_WRONG_STATE;
    if (number != order->number)
        return PL_REPLY_CODE_WRONG_ORDER;
    order->state = PL_ORDER_STATE_NONE;
    order->open_due = order->close_due = false;
    return PL_REPLY_CODE_OK;
}

uint8_t pl_order_open(pl_core *pl, uint32_t number)
{
    pl_order *order = &pl->order;
    if (order->state != PL_ORDER_STATE_ARMED && order->state != PL_ORDER_STATE_OPEN)
        return PL_REPLY_CODE_WRONG_STATE;
    if (number != order->number)
        return PL_REPLY_CODE_WRONG_ORDER;
    if (order->state == PL_ORDER_STATE_OPEN)
        return PL_REPLY_CODE_OK;
    uint8_t refusal = pl_light_refusal(pl);
    if (refusal != PL_REPLY_CODE_OK)
        return refusal;
    if (silent(pl))
        return PL_REPLY_CODE_HOST_SILENT;
    order->open_due = true;
    return PL_REPLY_CODE_OK;
}

uint8_t pl_order_close(pl_core *pl, uint32_t number)
{
    pl_order *order = &pl->order;
    bool lit = order->state == PL_ORDER_STATE_OPEN || order->open_due;
    if (number != 0 && number != order->number)
        return PL_REPLY_CODE_WRONG_ORDER;
    if (lit)
        order->close_due = true;
    else if (number != 0 && order->state != PL_ORDER_STATE_CLOSED)
        return PL_REPLY_CODE_WRONG_STATE;
    return PL_REPLY_CODE_OK;
}
