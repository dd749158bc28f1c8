/* Board `host`: the core as a library that its caller steps tick by tick. No clock of its own. */
#ifndef PL_HOST_H
#define PL_HOST_H

#include "pl_core.h"

#define PL_HOST_WIRE 65536u /* bytes sent that the caller has not fetched; then the wire stands */

typedef struct {
    pl_core core; /* first: the core's pointer is the board's */
    uint8_t pins;
    uint32_t wire_size;
    uint8_t wire[PL_HOST_WIRE];
} pl_host;

/* Bytes the caller must set aside, aligned for 64-bit numbers, for one board. */
uint32_t pl_host_size(void);

/* Bytes of the state that would stand in a microcontroller's memory. */
uint32_t pl_host_core_size(void);

/* What every call below returns: bits 0..23 what the call says, bits 24..31 the outputs as driven,
 * bits 32..63 bytes waiting in the wire buffer. */
uint64_t pl_host_start(pl_host *host, const uint32_t *config);

/* Runs up to n ticks of PL_ANALOG counts each (1 <= n < 2^24); returns the ticks done, ending right
 * after the tick in which an output changed. */
uint64_t pl_host_step(pl_host *host, const uint16_t *analog, uint32_t n, uint32_t inputs);

/* The same, ending also right after the tick in which bytes were sent. */
uint64_t pl_host_run(pl_host *host, const uint16_t *analog, uint32_t n, uint32_t inputs);

/* Hands over bytes from the host and lets the main loop run; returns 0 ticks. */
uint64_t pl_host_receive(pl_host *host, const uint8_t *data, uint32_t size);

/* Where the bytes sent stand; the caller copies them and says so. */
const uint8_t *pl_host_wire(pl_host *host);
void pl_host_fetched(pl_host *host);

uint32_t pl_host_tick(const pl_host *host);

/* Where the guard time of the newest order stands, for a test that spoils it. */
uint32_t pl_host_guard_at(void);

/* The newest order is gone, as failing memory might leave it: the device runs on. */
void pl_host_forget(pl_host *host);

#endif
