/* Board `avr`: the watchdog's modes. Its clock is 128 kHz, within 10 % or so.
 *
 * While the device runs, the first time-out (64 ms) calls an interrupt that ends the light and keeps
 * the sums; the second, 16 ms later, resets. With interrupts stuck the second comes after 128 ms. */
#ifndef PL_AVR_WDT_H
#define PL_AVR_WDT_H

#include <avr/io.h>
#include <avr/wdt.h>

/* The chip takes a new mode only within four cycles of the unlocking. Interrupts must be off. */
#define PL_AVR_WDT_SET(mode)                                                                       \
    do {                                                                                           \
        wdt_reset();                                                                               \
        WDTCSR = (1u << WDCE) | (1u << WDE);                                                       \
        WDTCSR = (mode);                                                                           \
    } while (0)

/* Start: 128 ms, reset. */
static inline __attribute__((always_inline)) void pl_avr_wdt_reset_only(void)
{
    PL_AVR_WDT_SET((1u << WDE) | (1u << WDP1) | (1u << WDP0));
}

/* Running: 64 ms, interrupt, then reset. */
static inline __attribute__((always_inline)) void pl_avr_wdt_warn_first(void)
{
    PL_AVR_WDT_SET((1u << WDIE) | (1u << WDE) | (1u << WDP1));
}

/* The end: 16 ms, reset. */
static inline __attribute__((always_inline)) void pl_avr_wdt_soon(void)
{
    PL_AVR_WDT_SET(1u << WDE);
}

#endif
