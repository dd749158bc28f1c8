/* Commands of the host: each is checked, carried out under the lock, and answered. */
#include "pl_core.h"

static void heartbeat(pl_core *pl)
{
    pl->heartbeat_age = 0;
    if (pl->host_silent) {
        pl->host_silent = false;
        pl_log_add(pl, PL_EVENT_CODE_HOST_BACK, 0);
    }
}

static uint8_t reset_latch(pl_core *pl)
{
    if (!(pl->inputs & PL_INPUT_INTERLOCK_CLOSED))
        return PL_REPLY_CODE_INTERLOCK_OPEN;
    if (!(pl->inputs & PL_INPUT_STOP_RELEASED))
        return PL_REPLY_CODE_STOP_PRESSED;
    if (pl->latched) {
        pl->latched = false;
        pl_log_add(pl, PL_EVENT_CODE_LATCH_RESET, 0);
    }
    return PL_REPLY_CODE_OK;
}

static uint8_t set_frame(pl_core *pl, uint16_t ticks)
{
    if (ticks < PL_FRAME_TICKS_MIN || ticks > PL_FRAME_TICKS_MAX)
        return PL_REPLY_CODE_BAD_VALUE;
    pl->frame_ticks = ticks;
    if (pl->frame_left > ticks)
        pl->frame_left = ticks;
    return PL_REPLY_CODE_OK;
}

/* Commands that change state and say no more than a code. Locked. */
static uint8_t carry_out(pl_core *pl, uint8_t type, const uint8_t *p)
{
    switch (type) {
    case PL_SET_OUTPUT:
        return pl_outputs_set(pl, pl_get_set_output_output(p), pl_get_set_output_on(p),
                              pl_get_set_output_hold_ms(p));
    case PL_ARM: return pl_order_arm(pl, p);
    case PL_REARM: return pl_order_rearm(pl, pl_get_rearm_order(p), pl_get_rearm_target(p));
    case PL_DISARM: return pl_order_disarm(pl, pl_get_disarm_order(p));
    case PL_OPEN: return pl_order_open(pl, pl_get_open_order(p));
    case PL_CLOSE: return pl_order_close(pl, pl_get_close_order(p));
    case PL_RESET_LATCH: return reset_latch(pl);
    case PL_SET_FRAME: return set_frame(pl, pl_get_set_frame_frame_ticks(p));
    default: return PL_REPLY_CODE_UNKNOWN_TYPE;
    }
}

/* A question's answer and its Reply go together or not at all, so that an OK is never alone. */
static bool fits(pl_core *pl, uint8_t answer_size)
{
    if (pl_link_fits(&pl->link, (uint16_t)(PL_WIRE_BYTES(answer_size) +
                                           PL_WIRE_BYTES(PL_REPLY_SIZE))))
        return true;
    pl_link_skip(&pl->link, 2);
    return false;
}

void pl_command(pl_core *pl, const uint8_t *frame, uint16_t size)
{
    uint8_t type = pl_load8(frame);
    uint16_t seq = pl_load16(frame + 1);
    const uint8_t *p = frame + PL_HEADER;
    uint8_t wanted = pl_command_size(type);
    uint8_t code = PL_REPLY_CODE_OK;

    if (type < PL_FIRST_COMMAND) { /* an echo of our own: an answer would come back for ever */
        pl->link.rx_bad++;
        return;
    }
    if (wanted == PL_NOT_A_COMMAND) {
        code = PL_REPLY_CODE_UNKNOWN_TYPE;
    } else if (size - PL_HEADER != wanted) {
        code = PL_REPLY_CODE_BAD_LENGTH;
    } else if (type == PL_GET_HELLO) {
        if (!fits(pl, PL_HELLO_SIZE))
            return;
        pl_send_hello(pl);
        if (pl_get_get_hello_protocol(p) != PL_PROTOCOL_VERSION)
            code = PL_REPLY_CODE_WRONG_PROTOCOL;
    } else if (type == PL_GET_ORDER) {
        if (!fits(pl, PL_ORDER_REPORT_SIZE))
            return;
        pl_send_order_report(pl);
    } else if (type == PL_GET_SUPPLY) {
        if (!(pl->config.capabilities & PL_CAPABILITY_SUPPLY)) { /* as one that knows no such type */
            code = PL_REPLY_CODE_UNKNOWN_TYPE;
        } else {
            if (!fits(pl, PL_SUPPLY_SIZE))
                return;
            pl_send_supply(pl);
        }
    } else if (type == PL_GET_LOG) {
        pl_log_replay(pl, pl_get_get_log_number(p), seq); /* answers when the last one is sent */
        return;
    } else {
        uint8_t before = pl_board_lock();
        if (type == PL_HEARTBEAT)
            heartbeat(pl);
        else
            code = carry_out(pl, type, p);
        pl_board_unlock(before);
        if (type == PL_HEARTBEAT)
            return;
    }
    pl_send_reply(pl, seq, type, code);
}
