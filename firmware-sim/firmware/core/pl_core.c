/* Start of the device and its main loop. */
#include "pl_core.h"

#include <string.h>

void pl_start(pl_core *pl, const pl_config *config)
{
    pl_board_outputs(pl, 0);
    memset(pl, 0, sizeof *pl);
    pl->config = *config;
    uint8_t most = config->capabilities & PL_CAPABILITY_WATER ? PL_WATER : PL_LIGHT_CHANNELS;
    if (pl->config.light_channels > most)
        pl->config.light_channels = most;
    pl->tick = config->tick;
    pl->frame_ticks = PL_FRAME_TICKS;
    pl->frame_left = PL_FRAME_TICKS;
    pl->light_fresh = true;
    pl->heartbeat_age = 0xFFFFu; /* no host yet */
    pl->hour.left = PL_SLICE_TICKS;
    pl_link_start(&pl->link);
    pl_send_hello(pl);
    pl_log_add(pl, PL_EVENT_CODE_BOOT, config->reset_cause);
}

void pl_poll(pl_core *pl)
{
    /* Bounded: a ring of PL_RX_RING bytes holds only so many frames, and bytes that come in while
     * we work wait for the next turn or count as overrun. */
    for (uint8_t turn = 0; turn < PL_RX_RING / PL_FRAME_OVERHEAD; turn++) {
        uint16_t size = pl_link_receive(&pl->link);
        if (size == 0)
            break;
        pl_command(pl, pl->link.rx_frame, size);
    }
    pl_log_send(pl);
    uint8_t before = pl_board_lock();
    bool due = pl->frame_left == 0;
    pl_board_unlock(before);
    if (due)
        pl_send_sample(pl);
}
