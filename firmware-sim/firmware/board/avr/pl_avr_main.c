/* Board `avr`: start and main loop. */
#include <avr/cpufunc.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <stddef.h>

#include "pl_avr.h"
#include "pl_avr_wdt.h"

#define KEEP_TICKS 50u

pl_core pl_avr;

/* A function of its own, so that a test can stop the simulated chip before it. */
__attribute__((noinline, noclone, used)) void pl_avr_begin(const pl_config *config)
{
    pl_start(&pl_avr, config);
}

/* Only a watchdog reset finds memory that this very program left behind: power may have been gone,
 * and a reset from outside follows the loading of another program. */
static void start_core(void)
{
    pl_avr_boot boot = pl_avr_started();
    const pl_kept *kept = pl_avr_kept();
    if (boot.cause != PL_RESET_CAUSE_WATCHDOG)
        kept = NULL;
    const pl_config config = {
        .board = PL_BOARD_AVR,
        .light_channels = PL_AVR_LIGHT,
        .adc_bits = PL_AVR_ADC_BITS,
        .capabilities = (uint8_t)(PL_AVR_CAPABILITIES |
                                  (kept ? PL_CAPABILITY_SUMS_SURVIVE_RESET : 0)),
        .reset_cause = boot.cause,
        .boot_id = boot.boot_id,
        .tick = kept ? kept->tick : 0,
    };
    pl_avr_begin(&config);
    if (kept)
        pl_kept_restore(&pl_avr, kept);
    pl_avr_keep(); /* so that nothing older can be found */
}

static uint8_t ticks_now(void)
{
    return *(volatile uint8_t *)&pl_avr.tick; /* its low byte: one read needs no lock */
}

/* Feeds the watchdog, and only when samples are being taken and the stack is whole. */
static void feed(uint8_t now)
{
    static uint8_t seen;
    if (now != seen && pl_avr_stack_whole())
        wdt_reset();
    seen = now;
}

static void keep_now_and_then(uint8_t now)
{
    static uint8_t kept_at, kept_state;
    uint8_t state = *(volatile uint8_t *)&pl_avr.order.state;
    if ((uint8_t)(now - kept_at) < KEEP_TICKS && state == kept_state)
        return;
    kept_at = now;
    kept_state = state;
    pl_avr_keep();
}

/* Sleeps until there was a tick or a byte came: no other interrupt leaves anything to do. */
static void rest(uint8_t now)
{
    sleep_enable();
    cli();
    while (ticks_now() == now && pl_avr.link.rx_in == pl_avr.link.rx_out) {
        sei(); /* takes effect after the next instruction: no interrupt can slip between */
        sleep_cpu();
        _NOP(); /* the simulated chip takes a pending interrupt one instruction later */
        cli();
    }
    sei();
    sleep_disable();
}

int main(void)
{
    start_core();
    pl_avr_serial_start();
    pl_avr_sampling_start();
    set_sleep_mode(SLEEP_MODE_IDLE);
    pl_avr_wdt_warn_first();
    sei();
    for (;;) {
        uint8_t now = ticks_now();
        pl_poll(&pl_avr);
        pl_avr_serial_send();
        feed(now);
        keep_now_and_then(now);
        rest(now);
    }
}

/* Where a debugger or a test finds what: absolute symbols, no memory. */
#define SHOW(name, value) __asm__(".global " #name "\n.set " #name ", %0" ::"i"(value))
__attribute__((used)) static void show(void)
{
    SHOW(pl_at_tick, offsetof(pl_core, tick));
    SHOW(pl_at_guard, offsetof(pl_core, order.guard_ticks));
    SHOW(pl_at_light_sum, offsetof(pl_core, light_sum));
    SHOW(pl_at_boot_id, offsetof(pl_core, config.boot_id));
    SHOW(pl_at_config_tick, offsetof(pl_config, tick));
    SHOW(pl_kept_size, sizeof(pl_kept));
}
