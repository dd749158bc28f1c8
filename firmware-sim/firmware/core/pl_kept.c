/* Sums and order carried over a reset, for boards whose memory survives one. */
#include "pl_kept.h"

#include <stddef.h>
#include <string.h>

/* 0 when the slot is whole; of a slot without its CRC: that CRC. */
static uint16_t crc_of(const pl_kept *kept, uint16_t size)
{
    const uint8_t *bytes = (const uint8_t *)kept;
    uint16_t crc = PL_CRC_START;
    for (uint16_t i = 0; i < size; i++)
        crc = pl_crc(crc, bytes[i]);
    return crc;
}

static bool whole(const pl_kept *kept)
{
    return crc_of(kept, (uint16_t)(offsetof(pl_kept, crc) + 2u)) == 0;
}

const pl_kept *pl_kept_find(const pl_kept slots[2])
{
    bool first = whole(&slots[0]), second = whole(&slots[1]);
    if (first && second)
        return (uint16_t)(slots[0].turn - slots[1].turn) < 0x8000u ? &slots[0] : &slots[1];
    return first ? &slots[0] : second ? &slots[1] : NULL;
}

void pl_kept_write(const pl_core *pl, pl_kept *kept, uint16_t turn)
{
    memset(kept, 0, sizeof *kept);
    uint8_t before = pl_board_lock();
    memcpy(kept->light_sum, pl->light_sum, sizeof kept->light_sum);
    memcpy(kept->light_count, pl->light_count, sizeof kept->light_count);
    memcpy(&kept->order, &pl->order, sizeof kept->order);
    kept->hour_lit = pl_hour_lit(pl);
    kept->tick = pl->tick;
    kept->latched = pl->latched;
    pl_board_unlock(before);
    kept->turn = turn;
    uint16_t crc = crc_of(kept, (uint16_t)offsetof(pl_kept, crc));
    kept->crc[0] = (uint8_t)(crc >> 8);
    kept->crc[1] = (uint8_t)crc;
}

void pl_kept_save(const pl_core *pl, pl_kept slots[2])
{
    const pl_kept *newest = pl_kept_find(slots);
    pl_kept_write(pl, newest == &slots[0] ? &slots[1] : &slots[0],
                  newest ? (uint16_t)(newest->turn + 1u) : 0);
}

void pl_kept_restore(pl_core *pl, const pl_kept *kept)
{
    uint8_t before = pl_board_lock();
    pl_order *order = &pl->order;
    memcpy(pl->light_sum, kept->light_sum, sizeof pl->light_sum);
    memcpy(pl->light_count, kept->light_count, sizeof pl->light_count);
    memcpy(order, &kept->order, sizeof *order);
    pl->latched = kept->latched != 0;
    pl->hour.lit = kept->hour_lit; /* nobody knows when: so as if just now */
    if (order->state == PL_ORDER_STATE_OPEN) {
        order->state = PL_ORDER_STATE_CLOSED;
        order->close_tick = kept->tick;
        memcpy(order->close_sum, kept->light_sum, sizeof order->close_sum);
        memcpy(order->close_count, kept->light_count, sizeof order->close_count);
    } else if (order->state == PL_ORDER_STATE_ARMED) {
        order->state = PL_ORDER_STATE_NONE;
    }
    order->open_due = order->close_due = false;
    pl_board_unlock(before);
}
