/* The device's own limits of light: the longest order, and the light of any hour. */
#include "pl_core.h"

_Static_assert(PL_ORDER_TICKS_MAX > 0 && PL_ORDER_TICKS_MAX <= PL_HOUR_LIT_MAX &&
                   PL_HOUR_LIT_MAX <= PL_HOUR_TICKS,
               "an order fits into what an hour allows, and that into the hour");
_Static_assert(PL_HOUR_TICKS % PL_HOUR_SLICES == 0 && PL_HOUR_LIT_MAX / PL_HOUR_STEP < 0xFFFFu,
               "an hour is whole slices, and one of them can hold all its light");

/* The slice under way is over; what does not make a whole step counts with the next one. */
static void turn(pl_hour *hour)
{
    uint16_t *oldest = &hour->slice[hour->oldest];
    uint16_t steps = (uint16_t)(hour->lit / PL_HOUR_STEP);
    hour->sum += (steps - (uint32_t)*oldest) * PL_HOUR_STEP;
    hour->lit %= PL_HOUR_STEP;
    *oldest = steps;
    hour->left = PL_SLICE_TICKS;
    hour->oldest = (uint8_t)(hour->oldest + 1u == PL_HOUR_SLICES ? 0 : hour->oldest + 1u);
}

void pl_limits_tick(pl_core *pl)
{
    if (pl->outputs & (1u << PL_OUTPUT_LAMP))
        pl->hour.lit++;
    if (--pl->hour.left == 0)
        turn(&pl->hour);
}

uint32_t pl_hour_lit(const pl_core *pl)
{
    return pl->hour.sum + pl->hour.lit;
}

bool pl_limits_allow(const pl_core *pl, uint32_t ticks)
{
    uint32_t lit = pl_hour_lit(pl);
    return ticks <= PL_ORDER_TICKS_MAX && lit <= PL_HOUR_LIT_MAX &&
           ticks <= PL_HOUR_LIT_MAX - lit;
}

bool pl_limits_reached(const pl_core *pl)
{
    return (uint32_t)(pl->tick - pl->order.open_tick) >= PL_ORDER_TICKS_MAX ||
           pl_hour_lit(pl) >= PL_HOUR_LIT_MAX;
}
