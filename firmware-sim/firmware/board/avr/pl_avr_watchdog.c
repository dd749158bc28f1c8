/* Board `avr`: when the main loop hangs; sums kept over the reset that follows. */
#include <avr/interrupt.h>

#include "pl_avr.h"
#include "pl_avr_wdt.h"

pl_kept pl_avr_slots[2] __attribute__((section(".noinit"), used));
static uint16_t turn; /* the slot to write next is its lowest bit */

const pl_kept *pl_avr_kept(void)
{
    const pl_kept *kept = pl_kept_find(pl_avr_slots);
    turn = kept ? (uint16_t)(kept->turn + 1u) : 0;
    return kept;
}

void pl_avr_keep(void)
{
    pl_kept_write(&pl_avr, &pl_avr_slots[turn & 1u], turn);
    turn++;
}

/* The main loop has not fed the watchdog. Dark first; then, while the samples up to now still stand
 * whole, keep them; then wait for the reset. A hang with interrupts off skips all this and is reset
 * by the next time-out, with the sums of the last pl_avr_keep. */
ISR(WDT_vect)
{
    PORTB = (uint8_t)(PORTB & ~PL_AVR_OUTPUTS);
    pl_avr_keep();
    pl_avr_wdt_soon();
    for (;;)
        ;
}
