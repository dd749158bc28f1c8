/* SPDX-License-Identifier: GPL-3.0-or-later
 * One simulated ATmega328P with its pins, power and serial line, run tick by tick. */
#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "avr_adc.h"
#include "avr_watchdog.h"
#include "line.h"
#include "sim_avr.h"

#define CHIP_HZ 16000000u
#define CHIP_TICK_CYCLES 16000u
#define CHIP_CONVERTERS 8u
#define CHIP_FULL_SCALE 50000u /* 5 V in steps of 0.1 mV: above it the chip would only clip */
#define CHIP_VECTORS 26u
#define CHIP_PIN_CHANGES 256u
#define CHIP_OUTPUTS 0x07u /* PB0..PB2 */
#define CHIP_INPUTS 0x03u  /* bit 0: PD4 held to ground, bit 1: PD5 held to ground */

enum { CHIP_POWER_ON, CHIP_EXTERNAL, CHIP_BROWN_OUT };     /* ways to start it */
enum { CHIP_RUNS, CHIP_MAIN_HANGS, CHIP_INTERRUPTS_HANG }; /* the latter with the main loop */

typedef struct {
    uint64_t cycle;
    uint64_t converted; /* cycle at which the last conversion before it was complete */
    uint8_t outputs;    /* after it */
} chip_pin_change;

typedef struct {
    uint32_t count;
    uint32_t longest; /* cycles from the vector to its return */
    uint32_t latest;  /* cycles from the raising to the vector */
    uint64_t raised, entered;
} chip_vector;

typedef struct chip {
    avr_t *avr;
    avr_adc_t *adc;
    const avr_watchdog_t *watchdog;
    line serial;
    uint8_t inputs;
    uint8_t outputs;
    uint8_t hang;
    bool boundary;        /* the tick's timer has just fired */
    bool starting;        /* since a reset the tick's timer has not fired */
    bool reset_due;       /* the chip was reset: pins and line follow */
    uint32_t resets;      /* by itself, since the last chip_power */
    uint64_t tick_start;  /* cycle at which the present tick began */
    uint64_t converted;
    uint64_t second_bark; /* cycle of a reset because the watchdog's interrupt was not served */
    chip_pin_change change[CHIP_PIN_CHANGES];
    uint16_t changes;
    chip_vector vector[CHIP_VECTORS];
    avr_run_t plain_run;
    char error[200]; /* not empty: the simulation is over */
} chip;

/* Loads a raw image of the flash; false with `error` set. */
bool chip_load(chip *c, const char *path);

/* Starts the chip; memory is filled with other values first unless the cause leaves it alone. The
 * first instruction is still to come. */
void chip_power(chip *c, uint8_t cause);

/* Runs to the end of the tick under way: just before the next timer interrupt, or, while the firmware
 * has no timer, one millisecond on. */
void chip_run_tick(chip *c);

/* Runs to an address in flash (bytes), or, for address 0, until the tick's timer has its interrupt;
 * false when that did not happen within so many cycles. */
bool chip_run_to(chip *c, uint32_t address, uint64_t cycles);

void chip_set_converter(chip *c, uint8_t channel, uint16_t tenth_mv);
void chip_set_inputs(chip *c, uint8_t grounded);
void chip_set_hang(chip *c, uint8_t how);

#endif
