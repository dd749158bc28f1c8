/* Board `avr`: the first instructions after a reset, its cause, and the number of the start. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>

#include "pl_avr.h"
#include "pl_avr_wdt.h"

#define NOINIT __attribute__((section(".noinit")))
#define SHOWN __attribute__((used)) /* keeps its name: tests look for it */
#define PAINT 0xC5u

/* A cold start takes the next number from the EEPROM; the numbers up to the next cold one belong to
 * resets without loss of power, so that a board that resets without end does not wear the EEPROM. */
#define WARM_STARTS 0x10000UL
#define FIRST_BOOT_ID 1u

typedef struct {
    uint32_t value;
    uint32_t inverse; /* ~value, or the pair means nothing */
} pair;

static pair last_boot_id NOINIT;
static uint8_t reset_flags NOINIT;
pair pl_avr_next_cold[2] EEMEM SHOWN; /* two: power may fail in the writing of one */

extern uint8_t __heap_start; /* end of all variables: below it nothing, above it the stack */

/* Outputs off, whatever led here: a reset, or a jump through address 0 with everything still on.
 * Nothing is initialised yet, not even r1. A boot loader (Optiboot; its source, from memory) has
 * cleared MCUSR and left the flags in r2. */
__attribute__((naked, used, section(".init0"))) void pl_avr_dark(void)
{
    __asm__ volatile("cli\n\t"
                     "cbi %[port], %[lamp]\n\t"
                     "cbi %[port], %[vacuum]\n\t"
                     "cbi %[port], %[beeper]\n\t"
                     "sbi %[ddr], %[lamp]\n\t"
                     "sbi %[ddr], %[vacuum]\n\t"
                     "sbi %[ddr], %[beeper]\n\t"
                     "out %[keep], r2\n\t" ::[port] "I"(_SFR_IO_ADDR(PORTB)),
                     [ddr] "I"(_SFR_IO_ADDR(DDRB)), [keep] "I"(_SFR_IO_ADDR(GPIOR0)),
                     [lamp] "I"(PL_AVR_LAMP), [vacuum] "I"(PL_AVR_VACUUM),
                     [beeper] "I"(PL_AVR_BEEPER));
}

/* The watchdog runs on after its own reset, at its shortest time: take it over before anything
 * that lasts. Then paint the free memory. Naked: the stack pointer stands, r1 is 0. */
__attribute__((naked, used, section(".init3"))) void pl_avr_early(void)
{
    pl_avr_wdt_reset_only();
    reset_flags = MCUSR != 0 ? MCUSR : GPIOR0;
    MCUSR = 0;
    __asm__ volatile("ldi r30, lo8(__heap_start)\n\t"
                     "ldi r31, hi8(__heap_start)\n\t"
                     "ldi r24, %[paint]\n\t"
                     "ldi r25, hi8(%[end])\n"
                     "1:\tst Z+, r24\n\t"
                     "cpi r30, lo8(%[end])\n\t"
                     "cpc r31, r25\n\t"
                     "brne 1b\n\t" ::[paint] "M"(PAINT),
                     [end] "i"(RAMEND + 1)
                     : "r24", "r25", "r30", "r31", "memory");
}

bool pl_avr_stack_whole(void)
{
    return *(volatile uint8_t *)&__heap_start == PAINT;
}

static uint8_t cause_of(uint8_t flags)
{
    if (flags & (1u << PORF))
        return PL_RESET_CAUSE_POWER_ON; /* comes with others: power rises through the brown-out */
    if (flags & (1u << BORF))
        return PL_RESET_CAUSE_BROWN_OUT;
    if (flags & (1u << WDRF))
        return PL_RESET_CAUSE_WATCHDOG;
    return flags & (1u << EXTRF) ? PL_RESET_CAUSE_EXTERNAL : PL_RESET_CAUSE_UNKNOWN;
}

static bool whole(const pair *p)
{
    return p->value == (uint32_t)~p->inverse;
}

static uint32_t cold_boot_id(void)
{
    pair kept[2];
    eeprom_read_block(kept, pl_avr_next_cold, sizeof kept);
    bool first = whole(&kept[0]), second = whole(&kept[1]);
    bool newest = second && (!first || (int32_t)(kept[1].value - kept[0].value) > 0);
    uint32_t id = first || second ? kept[newest].value : FIRST_BOOT_ID;
    pair next = {id + WARM_STARTS, ~(id + WARM_STARTS)};
    eeprom_update_block(&next, &pl_avr_next_cold[!newest], sizeof next);
    return id;
}

pl_avr_boot pl_avr_started(void)
{
    uint8_t cause = cause_of(reset_flags);
    bool warm = (cause == PL_RESET_CAUSE_WATCHDOG || cause == PL_RESET_CAUSE_EXTERNAL) &&
                whole(&last_boot_id);
    uint32_t id = warm ? last_boot_id.value + 1u : cold_boot_id();
    last_boot_id = (pair){id, ~id};
    return (pl_avr_boot){id, cause};
}
