/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chip's serial port and the line to it, byte by byte in time. Takes the place of the
 * simulator's own model, whose receiver buffers 64 bytes where the chip buffers two. */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>
#include <stdint.h>

#include "avr_uart.h"
#include "sim_avr.h"

#define LINE_QUEUE 65536u /* bytes that may wait at either end */

typedef struct {
    avr_t *avr;
    avr_uart_t *uart;
    /* to the chip: queue, byte on the line, shift register, buffer of two */
    uint8_t queue[LINE_QUEUE];
    uint32_t queue_in, queue_out;
    bool arriving;
    uint8_t ninths; /* a byte at 115,200 baud lasts 12,500 / 9 cycles of the chip */
    bool shift_full;
    uint8_t shift;
    uint8_t buffer[2];
    uint8_t buffered;
    bool overrun;
    uint32_t overruns;
    /* from the chip: data register, shift register, bytes that are out */
    bool holding_full, sending;
    uint8_t holding, leaving;
    uint8_t sent[LINE_QUEUE];
    uint32_t sent_size;
    bool delimiter; /* a frame has left since this was last set to false */
} line;

void line_attach(line *l, avr_t *avr);

/* After the chip was reset: its registers are empty, what is on the way comes still. */
void line_reset(line *l);

/* Bytes for the chip, each in its time; false when they do not fit the queue. */
bool line_put(line *l, const uint8_t *data, uint32_t size);

/* Bytes put that the chip has not received yet. */
uint32_t line_waiting(const line *l);

#endif
