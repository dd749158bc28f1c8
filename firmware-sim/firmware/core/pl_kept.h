/* Sums and order carried over a reset, for boards whose memory survives one.
 *
 * Such a board sets two pl_kept aside in memory that start-up code leaves alone, calls pl_kept_save
 * now and then from its main loop (say, after each Sample), and at start:
 *
 *     const pl_kept *kept = pl_kept_find(slots);
 *     if (kept) config.tick = kept->tick;
 *     pl_start(&pl, &config);
 *     if (kept) pl_kept_restore(&pl, kept);
 *
 * Two slots, because a reset may fall into the writing of one. What was counted after the last save
 * is lost. */
#ifndef PL_KEPT_H
#define PL_KEPT_H

#include "pl_core.h"

typedef struct {
    uint64_t light_sum[PL_LIGHT_CHANNELS];
    uint32_t light_count[PL_LIGHT_CHANNELS];
    pl_order order;
    uint32_t hour_lit; /* light of the hour before */
    uint32_t tick;
    uint16_t turn; /* counts saves: the higher one is the newer slot */
    uint8_t latched;
    uint8_t crc[2]; /* of all bytes before, high byte first */
} pl_kept;

/* Writes the older of the two slots. */
void pl_kept_save(const pl_core *pl, pl_kept slots[2]);

/* The same for a board that counts the turns itself, and so need not look which one is older:
 * writes this slot. */
void pl_kept_write(const pl_core *pl, pl_kept *kept, uint16_t turn);

/* The newest slot that is whole, or NULL. */
const pl_kept *pl_kept_find(const pl_kept slots[2]);

/* Takes over sums, latch, order and the light of the hour before. Never brings light back: an order
 * that was open is closed with reason NONE at the last tick kept, one that was armed is gone. */
void pl_kept_restore(pl_core *pl, const pl_kept *kept);

#endif
