/* Outputs: the lamp follows the order; the others stay on only while the host renews them. */
#include "pl_core.h"

#define LAMP (1u << PL_OUTPUT_LAMP)

void pl_outputs_expire(pl_core *pl)
{
    for (uint8_t i = PL_OUTPUT_VACUUM; i < PL_OUTPUTS; i++) {
        uint8_t bit = (uint8_t)(1u << i);
        if (!(pl->wanted & bit))
            continue;
        if (pl->hold_left[i] != 0) {
            pl->hold_left[i]--;
            continue;
        }
        /* Losing contact in mid-exposure is worse than a pump running on; guard_ticks bounds it. */
        if (i == PL_OUTPUT_VACUUM &&
            (pl->order.state == PL_ORDER_STATE_OPEN || pl->order.open_due))
            continue;
        pl->wanted = (uint8_t)(pl->wanted & ~bit);
        pl_log_add(pl, PL_EVENT_CODE_OUTPUT_EXPIRED, i);
    }
}

void pl_outputs_drive(pl_core *pl)
{
    uint8_t mask = pl->wanted;
    /* The order went dark for these already; the pin does not take its word for it. */
    if (pl->order.state == PL_ORDER_STATE_OPEN && pl_light_refusal(pl) == PL_REPLY_CODE_OK &&
        !pl_limits_reached(pl))
        mask = (uint8_t)(mask | LAMP);
    pl->outputs = mask;
    pl_board_outputs(pl, mask);
}

uint8_t pl_outputs_set(pl_core *pl, uint8_t output, uint8_t on, uint16_t hold_ms)
{
    if (output >= PL_OUTPUTS || on > 1)
        return PL_REPLY_CODE_BAD_VALUE;
    if (output == PL_OUTPUT_LAMP) /* on only through an order */
        return on ? PL_REPLY_CODE_BAD_VALUE : pl_order_close(pl, 0);
    uint8_t bit = (uint8_t)(1u << output);
    if (!on) {
        pl->wanted = (uint8_t)(pl->wanted & ~bit);
        return PL_REPLY_CODE_OK;
    }
    if (hold_ms == 0 || hold_ms > PL_HOLD_MS_MAX)
        return PL_REPLY_CODE_BAD_VALUE;
    pl->wanted = (uint8_t)(pl->wanted | bit);
    pl->hold_left[output] = hold_ms;
    return PL_REPLY_CODE_OK;
}
