/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chip in real time, its serial line on a pseudo-terminal. */
#ifndef PACED_H
#define PACED_H

#include "chip.h"

/* Prints the terminal's path, then a line for each change of an output; reads lines from standard
 * input and answers each with "ok" or "error: why":
 *
 *     adc CHANNEL TENTH_MV      voltage at a converter, 0..50000
 *     lit CHANNEL TENTH_MV      voltage there while the lamp output is on
 *     inputs MASK               1: interlock closed, 2: stop released
 *     hang HOW                  0 no, 1 the main loop, 2 interrupts as well
 *     power CAUSE               0 power on, 1 reset pin, 2 brown-out
 *
 * Ends with standard input. Returns the exit code. */
int paced_serve(chip *c);

#endif
