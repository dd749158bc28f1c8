/* The messages of the device, written into the frame that goes out next. */
#include "pl_core.h"

void pl_send_hello(pl_core *pl)
{
    static const uint8_t firmware[3] = PL_FIRMWARE;
    const pl_config *config = &pl->config;
    uint8_t *p = pl_link_payload(&pl->link);
    pl_set_hello_protocol(p, PL_PROTOCOL_VERSION);
    pl_set_hello_board(p, config->board);
    for (uint8_t i = 0; i < 3; i++)
        pl_set_hello_firmware(p, i, firmware[i]);
    pl_set_hello_light_channels(p, config->light_channels);
    pl_set_hello_adc_bits(p, config->adc_bits);
    pl_set_hello_capabilities(p, config->capabilities);
    pl_set_hello_reset_cause(p, config->reset_cause);
    pl_set_hello_boot_id(p, config->boot_id);
    uint8_t before = pl_board_lock();
    pl_set_hello_tick(p, pl->tick);
    pl_board_unlock(before);
    pl_set_hello_tick_hz(p, PL_TICK_HZ);
    pl_set_hello_frame_ticks(p, pl->frame_ticks);
    pl_link_send(&pl->link, PL_HELLO, PL_HELLO_SIZE);
}

static void write_light(const pl_core *pl, uint8_t *p)
{
    for (uint8_t i = 0; i < PL_LIGHT_CHANNELS; i++) {
        pl_set_sample_light_sum(p, i, pl->light_sum[i]);
        pl_set_sample_light_count(p, i, pl->light_count[i]);
        pl_set_sample_light_min(p, i, pl->light_min[i]);
        pl_set_sample_light_max(p, i, pl->light_max[i]);
    }
}

static void write_slow(const pl_core *pl, uint8_t *p)
{
    pl_set_sample_vacuum_sum(p, pl->vacuum.mean.sum);
    pl_set_sample_vacuum_count(p, pl->vacuum.mean.count);
    pl_set_sample_vacuum_min(p, pl->vacuum.min);
    pl_set_sample_vacuum_max(p, pl->vacuum.max);
    pl_set_sample_oven_sum(p, pl->oven.sum);
    pl_set_sample_oven_count(p, pl->oven.count);
    pl_set_sample_head_sum(p, pl->head.sum);
    pl_set_sample_head_count(p, pl->head.count);
}

static void write_state(const pl_core *pl, uint8_t *p)
{
    pl_set_sample_tick(p, pl->tick);
    pl_set_sample_inputs(p, pl->inputs);
    pl_set_sample_outputs(p, pl->outputs);
    pl_set_sample_latched(p, pl->latched);
    pl_set_sample_order_state(p, pl->order.state);
    pl_set_sample_close_reason(p, pl->order.reason);
    pl_set_sample_events(p, (uint8_t)pl->log.newest);
    pl_set_sample_order(p, pl->order.number);
    pl_set_sample_order_sum(p, pl->order.sum);
    pl_set_sample_order_target(p, pl->order.target);
    pl_set_sample_rx_bad(p, pl->link.rx_bad);
    pl_set_sample_rx_overrun(p, pl->link.rx_overrun);
}

void pl_send_sample(pl_core *pl)
{
    bool fits = pl_link_fits(&pl->link, PL_WIRE_BYTES(PL_SAMPLE_SIZE));
    uint8_t *p = pl_link_payload(&pl->link);
    uint8_t before = pl_board_lock();
    pl->frame_left = pl->frame_ticks;
    if (fits) { /* else the windows go on: no peak is lost with the frame */
        write_state(pl, p);
        write_light(pl, p);
        write_slow(pl, p);
        pl->vacuum = (pl_window){{0, 0}, 0, 0};
        pl->oven = pl->head = (pl_mean){0, 0};
        pl->light_fresh = true;
    }
    pl_board_unlock(before);
    if (fits)
        pl_link_send(&pl->link, PL_SAMPLE, PL_SAMPLE_SIZE);
    else
        pl_link_skip(&pl->link, 1);
}

void pl_send_event(pl_core *pl, const pl_event *event)
{
    uint8_t *p = pl_link_payload(&pl->link);
    pl_set_event_number(p, event->number);
    pl_set_event_code(p, event->code);
    pl_set_event_arg(p, event->arg);
    pl_set_event_tick(p, event->tick);
    pl_link_send(&pl->link, PL_EVENT, PL_EVENT_SIZE);
}

void pl_send_reply(pl_core *pl, uint16_t seq, uint8_t type, uint8_t code)
{
    uint8_t *p = pl_link_payload(&pl->link);
    pl_set_reply_seq(p, seq);
    pl_set_reply_type(p, type);
    pl_set_reply_code(p, code);
    pl_link_send(&pl->link, PL_REPLY, PL_REPLY_SIZE);
}

void pl_send_order_report(pl_core *pl)
{
    const pl_order *order = &pl->order;
    uint8_t *p = pl_link_payload(&pl->link);
    uint8_t before = pl_board_lock();
    bool open = order->state == PL_ORDER_STATE_OPEN;
    pl_set_order_report_order(p, order->number);
    pl_set_order_report_state(p, order->state);
    pl_set_order_report_close_reason(p, order->reason);
    pl_set_order_report_boot_id(p, pl->config.boot_id);
    pl_set_order_report_open_tick(p, order->open_tick);
    pl_set_order_report_close_tick(p, open ? pl->tick : order->close_tick);
    pl_set_order_report_order_sum(p, order->sum);
    pl_set_order_report_order_target(p, order->target);
    for (uint8_t i = 0; i < PL_LIGHT_CHANNELS; i++) {
        pl_set_order_report_open_sum(p, i, order->open_sum[i]);
        pl_set_order_report_open_count(p, i, order->open_count[i]);
        pl_set_order_report_close_sum(p, i, open ? pl->light_sum[i] : order->close_sum[i]);
        pl_set_order_report_close_count(p, i, open ? pl->light_count[i] : order->close_count[i]);
    }
    pl_board_unlock(before);
    pl_link_send(&pl->link, PL_ORDER_REPORT, PL_ORDER_REPORT_SIZE);
}

void pl_send_supply(pl_core *pl)
{
    uint8_t *p = pl_link_payload(&pl->link);
    uint8_t before = pl_board_lock();
    pl_set_supply_tick(p, pl->tick);
    pl_set_supply_bandgap_sum(p, pl->supply.sum);
    pl_set_supply_bandgap_count(p, pl->supply.count);
    pl->supply = (pl_mean){0, 0};
    pl_board_unlock(before);
    pl_link_send(&pl->link, PL_SUPPLY, PL_SUPPLY_SIZE);
}
