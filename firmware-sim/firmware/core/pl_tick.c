/* The sampling interrupt: sums, inputs, then the order, then the pins. */
#include "pl_core.h"

static void add_cumulative(pl_core *pl, uint8_t i, uint16_t counts)
{
    pl->light_sum[i] += counts;
    pl->light_count[i]++;
    if (counts < pl->light_min[i] || pl->light_fresh)
        pl->light_min[i] = counts;
    if (counts > pl->light_max[i] || pl->light_fresh)
        pl->light_max[i] = counts;
}

static void add_mean(pl_mean *mean, uint16_t counts)
{
    if (mean->count == 0xFFFFu) /* a sum that nobody fetched stays whole */
        return;
    mean->sum += counts;
    mean->count++;
}

static void add_window(pl_window *window, uint16_t counts)
{
    if (window->mean.count == 0xFFFFu)
        return;
    if (window->mean.count == 0 || counts < window->min)
        window->min = counts;
    if (window->mean.count == 0 || counts > window->max)
        window->max = counts;
    add_mean(&window->mean, counts);
}

static void input_changed(pl_core *pl, uint8_t index, bool closed)
{
    static const uint8_t code[PL_INPUTS][2] = {
        {PL_EVENT_CODE_INTERLOCK_OPENED, PL_EVENT_CODE_INTERLOCK_CLOSED},
        {PL_EVENT_CODE_STOP_PRESSED, PL_EVENT_CODE_STOP_RELEASED},
    };
    pl->inputs = (uint8_t)(pl->inputs ^ (1u << index));
    if (!closed)
        pl->latched = true;
    pl_log_add(pl, code[index][closed], 0);
}

/* Opening counts from the first sample, closing after PL_DEBOUNCE_TICKS alike in a row. */
static void read_inputs(pl_core *pl, uint8_t raw)
{
    for (uint8_t i = 0; i < PL_INPUTS; i++) {
        uint8_t bit = (uint8_t)(1u << i);
        if (!(raw & bit)) {
            pl->debounce[i] = 0;
            if (pl->inputs & bit)
                input_changed(pl, i, false);
        } else if (!(pl->inputs & bit) && ++pl->debounce[i] >= PL_DEBOUNCE_TICKS) {
            input_changed(pl, i, true);
        }
    }
}

void pl_sample_tick(pl_core *pl, const uint16_t *analog, uint8_t inputs)
{
    pl->tick++;
    for (uint8_t i = 0; i < pl->config.light_channels; i++)
        add_cumulative(pl, i, analog[i]);
    if (pl->config.capabilities & PL_CAPABILITY_WATER)
        add_cumulative(pl, PL_WATER, analog[PL_WATER]);
    pl->light_fresh = false;
    if (pl->config.capabilities & PL_CAPABILITY_VACUUM)
        add_window(&pl->vacuum, analog[PL_VACUUM]);
    if (pl->config.capabilities & PL_CAPABILITY_OVEN)
        add_mean(&pl->oven, analog[PL_OVEN]);
    if (pl->config.capabilities & PL_CAPABILITY_HEAD_TEMPERATURE)
        add_mean(&pl->head, analog[PL_HEAD]);
    if (pl->config.capabilities & PL_CAPABILITY_SUPPLY)
        add_mean(&pl->supply, analog[PL_BANDGAP]);
    if (pl->heartbeat_age != 0xFFFFu)
        pl->heartbeat_age++;
    pl_limits_tick(pl);
    read_inputs(pl, inputs);
    pl_outputs_expire(pl);
    pl_order_tick(pl, analog);
    pl_outputs_drive(pl);
    if (pl->frame_left != 0)
        pl->frame_left--;
}
