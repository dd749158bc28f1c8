/* Frames: CRC, COBS and the two byte rings between the main loop and the serial interrupts. */
#ifndef PL_LINK_H
#define PL_LINK_H

#include <stdbool.h>
#include <stdint.h>

#include "pl_wire.h"

#define PL_RX_RING 64u  /* powers of two, at most 256: an index is one byte */
#define PL_TX_RING 256u
#define PL_HEADER 3u    /* type and sequence number */
#define PL_RX_KEEP (PL_MAX_COMMAND + PL_FRAME_OVERHEAD)
#define PL_FRAME_LONGEST (PL_MAX_PAYLOAD + PL_FRAME_OVERHEAD)
/* Bytes on the wire of a payload that stays below one COBS block. */
#define PL_WIRE_BYTES(payload) ((uint16_t)((payload) + PL_FRAME_OVERHEAD + 2u))

/* CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, not reflected. 0 over data and its CRC. */
#define PL_CRC_START 0xFFFFu
uint16_t pl_crc(uint16_t crc, uint8_t byte);

/* Writes the COBS form of data and its 0x00 into ring[(at + k) & mask]; returns its size. */
uint16_t pl_cobs_encode(const uint8_t *data, uint16_t size, volatile uint8_t *ring, uint16_t at,
                        uint16_t mask);

/* COBS read byte by byte. */
typedef struct {
    uint8_t left;  /* bytes to the end of the block */
    bool zero_due; /* a zero stands between this block and the next */
    bool any;      /* something came since the last 0x00 */
} pl_cobs;
enum { PL_COBS_NOTHING = -1, PL_COBS_END = -2, PL_COBS_BROKEN = -3 };
/* Returns a decoded byte, or one of the above. After END and BROKEN a new frame begins. END of an
 * empty stretch (two 0x00 in a row) is NOTHING. */
int16_t pl_cobs_decode(pl_cobs *cobs, uint8_t byte);

typedef struct {
    /* rx_ring is filled by the serial interrupt, emptied by the main loop. Volatile, so that the
     * byte stands in the ring before the index says so. */
    volatile uint8_t rx_ring[PL_RX_RING];
    volatile uint8_t rx_in;
    volatile uint8_t rx_out;
    uint8_t rx_frame[PL_RX_KEEP]; /* the first bytes of the frame under way */
    uint16_t rx_size;             /* all its bytes so far */
    uint16_t rx_crc;
    pl_cobs rx_cobs;
    uint16_t rx_bad;
    uint16_t rx_overrun;
    /* tx_ring is filled by the main loop, emptied by the serial interrupt */
    volatile uint8_t tx_ring[PL_TX_RING];
    volatile uint8_t tx_in;
    volatile uint8_t tx_out;
    uint16_t tx_seq;
    uint8_t tx_frame[PL_HEADER + PL_MAX_ANSWER + 2u];
} pl_link;

void pl_link_start(pl_link *link);

/* Serial interrupt: a byte came. Counted as overrun when the ring is full. */
void pl_rx_byte(pl_link *link, uint8_t byte);
/* Serial interrupt: the next byte to send, or -1. */
int16_t pl_tx_byte(pl_link *link);

/* The next whole frame with a good CRC (type, sequence number, payload; the CRC cut off), or 0
 * when the ring is empty. At most PL_RX_KEEP bytes of it stand in rx_frame. */
uint16_t pl_link_receive(pl_link *link);

/* Whether so many bytes fit into the ring now. */
bool pl_link_fits(const pl_link *link, uint16_t wire_bytes);
/* Where to write the payload of the next frame. */
uint8_t *pl_link_payload(pl_link *link);
/* Sends that payload whole, or drops it whole; the sequence number counts on either way. */
void pl_link_send(pl_link *link, uint8_t type, uint8_t size);
/* Counts frames that could not be sent. */
void pl_link_skip(pl_link *link, uint8_t frames);

#endif
