/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chip's serial port and the line to it, byte by byte in time. */
#include "line.h"

#include <string.h>

#define HOST_CYCLES 1388u /* and 8/9 */
#define QUEUE_MASK (LINE_QUEUE - 1u)

enum { UCSR0A = 0xC0, UCSR0B = 0xC1, UBRR0L = 0xC4, UBRR0H = 0xC5, UDR0 = 0xC6 };
enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, DOR = 0x08, U2X = 0x02 };
enum { RXCIE = 0x80, UDRIE = 0x20, RXEN = 0x10, TXEN = 0x08 };

/* --- to the chip --- */

static void show_received(line *l)
{
    uint8_t *status = &l->avr->data[UCSR0A];
    *status = (uint8_t)((*status & ~(RXC | DOR)) | (l->overrun ? DOR : 0));
    if (l->buffered != 0)
        avr_raise_interrupt(l->avr, &l->uart->rxc); /* sets RXC */
    else
        avr_clear_interrupt(l->avr, &l->uart->rxc);
}

/* A whole byte stands in the shift register: on to the buffer, if there is room. */
static void take_in(line *l)
{
    if (!l->shift_full || l->buffered == 2)
        return;
    l->buffer[l->buffered++] = l->shift;
    l->shift_full = false;
    show_received(l);
}

/* The next start bit: it needs the shift register, and a byte still in there is lost. */
static avr_cycle_count_t begin_byte(line *l)
{
    l->arriving = l->queue_out != l->queue_in;
    if (!l->arriving)
        return 0;
    if (l->shift_full) {
        l->shift_full = false;
        l->overrun = true;
        l->overruns++;
        show_received(l);
    }
    l->ninths = (uint8_t)(l->ninths + 8u);
    uint8_t carry = l->ninths >= 9u;
    l->ninths = (uint8_t)(l->ninths - 9u * carry);
    return HOST_CYCLES + carry;
}

static avr_cycle_count_t byte_arrived(avr_t *avr, avr_cycle_count_t when, void *param)
{
    line *l = param;
    uint8_t byte = l->queue[l->queue_out++ & QUEUE_MASK];
    if (avr->data[UCSR0B] & RXEN) {
        l->shift = byte;
        l->shift_full = true;
        take_in(l);
    }
    avr_cycle_count_t next = begin_byte(l);
    return next ? when + next : 0;
}

static void start_line(line *l)
{
    avr_cycle_count_t first = begin_byte(l);
    if (first)
        avr_cycle_timer_register(l->avr, first, byte_arrived, l);
}

bool line_put(line *l, const uint8_t *data, uint32_t size)
{
    if (size > LINE_QUEUE - line_waiting(l))
        return false;
    for (uint32_t i = 0; i < size; i++)
        l->queue[l->queue_in++ & QUEUE_MASK] = data[i];
    if (!l->arriving)
        start_line(l);
    return true;
}

uint32_t line_waiting(const line *l)
{
    return l->queue_in - l->queue_out;
}

static uint8_t read_data(avr_t *avr, avr_io_addr_t addr, void *param)
{
    line *l = param;
    uint8_t byte = l->buffer[0];
    l->buffer[0] = l->buffer[1];
    if (l->buffered != 0)
        l->buffered--;
    l->overrun = false; /* told with the byte just read */
    avr->data[addr] = byte;
    show_received(l);
    take_in(l);
    return byte;
}

/* --- from the chip --- */

static void show_room(line *l)
{
    if (l->holding_full)
        l->avr->data[UCSR0A] &= (uint8_t)~UDRE;
    else
        avr_raise_interrupt(l->avr, &l->uart->udrc); /* sets UDRE */
}

static avr_cycle_count_t byte_cycles(const avr_t *avr)
{
    uint32_t divisor = (avr->data[UBRR0L] | (avr->data[UBRR0H] & 0x0Fu) << 8) + 1u;
    return 10u * divisor * (avr->data[UCSR0A] & U2X ? 8u : 16u);
}

static avr_cycle_count_t byte_left(avr_t *avr, avr_cycle_count_t when, void *param)
{
    line *l = param;
    if (l->sent_size < LINE_QUEUE) /* nobody fetches them: lost, as on a real line */
        l->sent[l->sent_size++] = l->leaving;
    l->delimiter |= l->leaving == 0;
    l->sending = l->holding_full;
    if (!l->sending) {
        avr_raise_interrupt(avr, &l->uart->txc);
        return 0;
    }
    l->leaving = l->holding;
    l->holding_full = false;
    show_room(l);
    return when + byte_cycles(avr);
}

static void write_data(avr_t *avr, avr_io_addr_t addr, uint8_t byte, void *param)
{
    line *l = param;
    avr->data[addr] = byte;
    if (!(avr->data[UCSR0B] & TXEN) || l->holding_full)
        return;
    if (l->sending) {
        l->holding = byte;
        l->holding_full = true;
    } else {
        l->leaving = byte;
        l->sending = true;
        avr_cycle_timer_register(avr, byte_cycles(avr), byte_left, l);
    }
    show_room(l);
}

/* --- registers --- */

static uint8_t read_status(avr_t *avr, avr_io_addr_t addr, void *param)
{
    (void)param;
    return avr->data[addr];
}

static void write_status(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *param)
{
    (void)param;
    avr->data[addr] = (uint8_t)((avr->data[addr] & ~(U2X | (value & TXC))) | (value & U2X));
}

static void write_control(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *param)
{
    line *l = param;
    uint8_t risen = (uint8_t)(value & ~avr->data[addr]);
    avr->data[addr] = value;
    if (!(value & RXEN)) {
        l->buffered = 0;
        l->shift_full = l->overrun = false;
    }
    if (risen & (RXCIE | RXEN))
        show_received(l);
    if (risen & (UDRIE | TXEN))
        show_room(l);
}

static void hook(avr_t *avr, uint16_t at, avr_io_read_t read, avr_io_write_t write, void *param)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(at);
    if (read) {
        avr->io[io].r.c = read;
        avr->io[io].r.param = param;
    }
    avr->io[io].w.c = write;
    avr->io[io].w.param = param;
}

void line_attach(line *l, avr_t *avr)
{
    memset(l, 0, sizeof *l);
    l->avr = avr;
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (strcmp(io->kind, "uart") == 0)
            l->uart = (avr_uart_t *)io;
    hook(avr, UDR0, read_data, write_data, l);
    hook(avr, UCSR0A, read_status, write_status, l);
    hook(avr, UCSR0B, NULL, write_control, l);
}

void line_reset(line *l)
{
    l->buffered = 0;
    l->shift_full = l->overrun = false;
    l->holding_full = l->sending = false;
    l->avr->data[UCSR0A] = UDRE;
    l->avr->data[UCSR0B] = 0;
    start_line(l); /* the reset threw all timers away */
}
