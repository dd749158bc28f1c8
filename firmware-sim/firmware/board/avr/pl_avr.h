/* Board `avr`: ATmega328P at 16 MHz and 5 V. Pins, build options, and what its files share.
 *
 * Pins by their names on the chip; docs/wiring.md has the table for a builder. */
#ifndef PL_AVR_H
#define PL_AVR_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "pl_kept.h"

/* Irradiance channels that are wired: 1..4, the fourth only on packages that have ADC6. */
#ifndef PL_AVR_LIGHT
#define PL_AVR_LIGHT 1
#endif
#if PL_AVR_LIGHT < 1 || PL_AVR_LIGHT > 4
#error "PL_AVR_LIGHT is the number of irradiance channels, 1..4"
#endif

/* What is wired beside them; SUMS_SURVIVE_RESET is added by a start that took sums over. */
#ifndef PL_AVR_CAPABILITIES
#define PL_AVR_CAPABILITIES                                                                        \
    (PL_CAPABILITY_VACUUM | PL_CAPABILITY_OVEN | PL_CAPABILITY_HEAD_TEMPERATURE |                  \
     PL_CAPABILITY_LAMP_OUTPUT)
#endif

#define PL_AVR_ADC_BITS 10u
#define PL_AVR_BAUD 115200UL

/* Outputs, active high, each with a pull-down outside: off while the chip is held in reset. */
#define PL_AVR_LAMP PB0
#define PL_AVR_VACUUM PB1
#define PL_AVR_BEEPER PB2
#define PL_AVR_OUTPUTS ((1u << PL_AVR_LAMP) | (1u << PL_AVR_VACUUM) | (1u << PL_AVR_BEEPER))

/* Inputs, to ground through a closed contact. A broken wire reads high and forbids light. */
#define PL_AVR_INTERLOCK PD4
#define PL_AVR_STOP PD5

extern pl_core pl_avr;

/* pl_avr_start.c */
typedef struct {
    uint32_t boot_id;
    uint8_t cause; /* PL_RESET_CAUSE */
} pl_avr_boot;
pl_avr_boot pl_avr_started(void); /* call once, interrupts off; may write the EEPROM (30 ms) */
bool pl_avr_stack_whole(void);    /* the stack never reached the end of its room */

/* pl_avr_sampling.c */
void pl_avr_sampling_start(void);

/* pl_avr_serial.c */
void pl_avr_serial_start(void);
void pl_avr_serial_send(void); /* lets the interrupt send what stands in the ring */

/* pl_avr_watchdog.c */
const pl_kept *pl_avr_kept(void); /* what was kept before the reset, or NULL; call once, first */
void pl_avr_keep(void);           /* saves sums and order into memory that survives a reset */

#endif
