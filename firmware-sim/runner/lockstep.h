/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chip in lock-step with a program at the other end of a socket: time passes only on request. */
#ifndef LOCKSTEP_H
#define LOCKSTEP_H

#include "chip.h"

/* Every message is a u8, a u32 (size of what follows) and that; numbers are little-endian.
 *
 *   request                                                        answer
 *   'S' u8 inputs, u32 n, u32 size, bytes for the chip,            state
 *       n x u16[8] converters in 0.1 mV
 *   'F' the same                                                   state
 *   'P' u8 cause (CHIP_POWER_ON..., 255: none), u32 address        state
 *   'H' u8 how (CHIP_RUNS...)                                      nothing
 *   'R' u16 address, u16 size                                      bytes of the data space
 *   'W' u16 address, bytes                                         nothing
 *   'E' u16 address, bytes of the EEPROM                           nothing
 *   'V' nothing                                                    26 x u32 count, longest, latest;
 *                                                                  they begin anew
 *
 * 'S' hands the bytes to the line and runs up to n ticks, a row of converters each, ending after the
 * tick in which an output changed or the chip was reset. After a reset it runs first, before and
 * outside all that, to where the first tick begins. 'F' ends also after the tick in which the last byte of a
 * frame left. 'P' resets the chip and runs it until the tick's timer is
 * set up, when it has sent nothing yet; given an address, only to there. Without a cause it goes on
 * from where it was.
 *
 * state: u32 ticks done, u8 outputs, u8 resets by itself, u32 bytes waiting for the chip,
 *        u64 cycle, u16 changes, then each change (u64 cycle, u64 cycle of the last conversion
 *        before it, u8 outputs), then the bytes the chip has sent.
 *
 * The first byte of an answer is 0, or 1 and a text that says what was wrong with the request. */

/* Serves one peer until it closes; 0, or 1 when the simulation cannot go on. */
int lockstep_serve(chip *c, int fd);

#endif
