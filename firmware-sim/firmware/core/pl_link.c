/* Frames: CRC, COBS and the two byte rings between the main loop and the serial interrupts. */
#include "pl_link.h"

uint16_t pl_crc(uint16_t crc, uint8_t byte)
{
    /* Eight steps of the polynomial folded into shifts: no table, same time for every byte. */
    uint8_t x = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
    x = (uint8_t)(x ^ (x >> 4));
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^
                      (uint16_t)((uint16_t)x << 5) ^ (uint16_t)x);
}

uint16_t pl_cobs_encode(const uint8_t *data, uint16_t size, volatile uint8_t *ring, uint16_t at,
                        uint16_t mask)
{
    uint16_t code_at = at;
    uint16_t put = (uint16_t)(at + 1u);
    uint8_t code = 1;
    for (uint16_t i = 0; i < size; i++) {
        if (code == 0xFF) { /* a full block: no zero is meant after it */
            ring[code_at & mask] = code;
            code_at = put++;
            code = 1;
        }
        if (data[i] != 0) {
            ring[put++ & mask] = data[i];
            code++;
        } else {
            ring[code_at & mask] = code;
            code_at = put++;
            code = 1;
        }
    }
    ring[code_at & mask] = code;
    ring[put++ & mask] = 0;
    return (uint16_t)(put - at);
}

int16_t pl_cobs_decode(pl_cobs *cobs, uint8_t byte)
{
    if (byte == 0) {
        int16_t end = !cobs->any ? PL_COBS_NOTHING : cobs->left != 0 ? PL_COBS_BROKEN : PL_COBS_END;
        *cobs = (pl_cobs){0, false, false};
        return end;
    }
    cobs->any = true;
    if (cobs->left != 0) {
        cobs->left--;
        return byte;
    }
    bool zero = cobs->zero_due;
    cobs->left = (uint8_t)(byte - 1u);
    cobs->zero_due = byte != 0xFF;
    return zero ? 0 : PL_COBS_NOTHING;
}

void pl_link_start(pl_link *link)
{
    link->rx_in = link->rx_out = 0;
    link->rx_size = 0;
    link->rx_crc = PL_CRC_START;
    link->rx_cobs = (pl_cobs){0, false, false};
    link->rx_bad = link->rx_overrun = 0;
    link->tx_in = link->tx_out = 0;
    link->tx_seq = 0;
}

void pl_rx_byte(pl_link *link, uint8_t byte)
{
    uint8_t next = (uint8_t)((link->rx_in + 1u) & (PL_RX_RING - 1u));
    if (next == link->rx_out) {
        link->rx_overrun++;
        return;
    }
    link->rx_ring[link->rx_in] = byte;
    link->rx_in = next;
}

int16_t pl_tx_byte(pl_link *link)
{
    uint8_t out = link->tx_out;
    if (out == link->tx_in)
        return -1;
    uint8_t byte = link->tx_ring[out];
    link->tx_out = (uint8_t)((out + 1u) & (PL_TX_RING - 1u));
    return byte;
}

/* Ends the frame under way: its size without CRC when it is whole, else 0. */
static uint16_t finish(pl_link *link, bool whole)
{
    uint16_t size = link->rx_size;
    bool good = whole && size >= PL_FRAME_OVERHEAD && size <= PL_FRAME_LONGEST &&
                link->rx_crc == 0;
    link->rx_size = 0;
    link->rx_crc = PL_CRC_START;
    if (!good) {
        link->rx_bad++;
        return 0;
    }
    return (uint16_t)(size - 2u);
}

uint16_t pl_link_receive(pl_link *link)
{
    while (link->rx_out != link->rx_in) {
        int16_t got = pl_cobs_decode(&link->rx_cobs, link->rx_ring[link->rx_out]);
        link->rx_out = (uint8_t)((link->rx_out + 1u) & (PL_RX_RING - 1u));
        if (got >= 0) {
            if (link->rx_size < PL_RX_KEEP)
                link->rx_frame[link->rx_size] = (uint8_t)got;
            if (link->rx_size <= PL_FRAME_LONGEST) /* one past it already tells: too long */
                link->rx_size++;
            link->rx_crc = pl_crc(link->rx_crc, (uint8_t)got);
        } else if (got != PL_COBS_NOTHING) {
            uint16_t size = finish(link, got == PL_COBS_END);
            if (size != 0)
                return size;
        }
    }
    return 0;
}

bool pl_link_fits(const pl_link *link, uint16_t wire_bytes)
{
    uint8_t used = (uint8_t)((link->tx_in - link->tx_out) & (PL_TX_RING - 1u));
    return wire_bytes <= (uint16_t)(PL_TX_RING - 1u - used);
}

uint8_t *pl_link_payload(pl_link *link)
{
    return link->tx_frame + PL_HEADER;
}

void pl_link_send(pl_link *link, uint8_t type, uint8_t size)
{
    uint8_t *frame = link->tx_frame;
    uint16_t seq = link->tx_seq++;
    if (!pl_link_fits(link, PL_WIRE_BYTES(size)))
        return;
    pl_store8(frame, type);
    pl_store16(frame + 1, seq);
    uint8_t end = (uint8_t)(PL_HEADER + size);
    uint16_t crc = PL_CRC_START;
    for (uint8_t i = 0; i < end; i++)
        crc = pl_crc(crc, frame[i]);
    frame[end] = (uint8_t)(crc >> 8);
    frame[end + 1u] = (uint8_t)crc;
    uint16_t sent = pl_cobs_encode(frame, (uint16_t)(end + 2u), link->tx_ring, link->tx_in,
                                   PL_TX_RING - 1u);
    link->tx_in = (uint8_t)((link->tx_in + sent) & (PL_TX_RING - 1u)); /* now it is there, whole */
}

void pl_link_skip(pl_link *link, uint8_t frames)
{
    link->tx_seq = (uint16_t)(link->tx_seq + frames);
}
