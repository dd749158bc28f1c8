/* What a board gives the core. Each board implements these three; the core calls nothing else. */
#ifndef PL_BOARD_H
#define PL_BOARD_H

#include <stdint.h>

struct pl_core;

/* Drives the output pins, bit (1 << output). Called from pl_start and from the sampling
 * interrupt; 0 is the safe state and the state the pins must also have out of reset. */
void pl_board_outputs(struct pl_core *pl, uint8_t mask);

/* Keeps the sampling and the serial interrupt out; returns what pl_board_unlock puts back.
 * Both must be barriers to the compiler. The core never nests them and holds them for at most the
 * copying of one message. */
uint8_t pl_board_lock(void);
void pl_board_unlock(uint8_t before);

#endif
