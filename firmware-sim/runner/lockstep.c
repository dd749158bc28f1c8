/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chip in lock-step with a program at the other end of a socket. */
#include "lockstep.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "avr_eeprom.h"

#define REQUEST_MOST (1u << 20)
#define STEP_MOST 10000u
#define STEP_HEAD 9u
#define ROW (CHIP_CONVERTERS * 2u)
#define GO_ON 255u
#define START_TICKS 1000u /* a start takes some 30 ms when it writes the EEPROM */
#define START_CYCLES ((uint64_t)START_TICKS * CHIP_TICK_CYCLES)

static uint8_t request[REQUEST_MOST];
static uint8_t answer[LINE_QUEUE + CHIP_PIN_CHANGES * 17u + 64u];
static uint32_t answer_size;
static char wrong[240];

static bool refuse(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(wrong, sizeof wrong, format, arguments);
    va_end(arguments);
    return false;
}

static uint32_t get(const uint8_t *p, uint8_t bytes)
{
    uint32_t value = 0;
    while (bytes-- > 0)
        value = value << 8 | p[bytes];
    return value;
}

static void put(uint64_t value, uint8_t bytes)
{
    for (; bytes > 0; bytes--, value >>= 8)
        answer[answer_size++] = (uint8_t)value;
}

static void put_bytes(const uint8_t *data, uint32_t size)
{
    memcpy(answer + answer_size, data, size);
    answer_size += size;
}

static void put_state(chip *c, uint32_t done)
{
    put(done, 4);
    put(c->outputs, 1);
    put(c->resets & 0xFFu, 1);
    put(line_waiting(&c->serial), 4);
    put(c->avr->cycle, 8);
    put(c->changes, 2);
    for (uint16_t i = 0; i < c->changes; i++) {
        put(c->change[i].cycle, 8);
        put(c->change[i].converted, 8);
        put(c->change[i].outputs, 1);
    }
    put_bytes(c->serial.sent, c->serial.sent_size);
    c->serial.sent_size = 0;
    c->changes = 0;
    c->resets = 0;
}

/* To where the first tick after a reset begins. */
static bool finish_start(chip *c)
{
    for (uint32_t i = 0; i < START_TICKS && c->starting && !c->error[0]; i++)
        chip_run_tick(c);
    return !c->starting || c->error[0] ||
           refuse("the firmware took no sample within %u ms of a reset", START_TICKS);
}

static bool step(chip *c, const uint8_t *p, uint32_t size, bool to_frame)
{
    if (size < STEP_HEAD)
        return refuse("a step has %u bytes, it needs at least %u", size, STEP_HEAD);
    uint8_t inputs = p[0];
    uint32_t n = get(p + 1, 4), bytes = get(p + 5, 4);
    if (inputs & ~CHIP_INPUTS)
        return refuse("inputs are 0x%02x, the chip has 0x%02x", inputs, CHIP_INPUTS);
    if (n > STEP_MOST || bytes > LINE_QUEUE || size != STEP_HEAD + bytes + n * ROW)
        return refuse("a step of %u ticks (at most %u) and %u bytes (at most %u) came in %u bytes", n,
                      STEP_MOST, bytes, LINE_QUEUE, size);
    const uint8_t *rows = p + STEP_HEAD + bytes;
    for (uint32_t i = 0; i < n * CHIP_CONVERTERS; i++)
        if (get(rows + 2 * i, 2) > CHIP_FULL_SCALE)
            return refuse("converter %u of row %u is %u in 0.1 mV, the most is %u",
                          i % CHIP_CONVERTERS, i / CHIP_CONVERTERS, get(rows + 2 * i, 2),
                          CHIP_FULL_SCALE);
    if (bytes > LINE_QUEUE - line_waiting(&c->serial))
        return refuse("%u bytes wait for the chip, %u more do not fit", line_waiting(&c->serial),
                      bytes);
    chip_set_inputs(c, inputs);
    if (n > 0 && !finish_start(c))
        return false;
    line_put(&c->serial, p + STEP_HEAD, bytes);
    uint32_t done = 0;
    c->serial.delimiter = false;
    while (done < n && (done == 0 || (c->changes == 0 && c->resets == 0)) &&
           !(to_frame && c->serial.delimiter) && !c->error[0]) {
        for (uint8_t i = 0; i < CHIP_CONVERTERS; i++)
            chip_set_converter(c, i, (uint16_t)get(rows + done * ROW + 2u * i, 2));
        chip_run_tick(c);
        done++;
    }
    put_state(c, done);
    return true;
}

static bool power(chip *c, const uint8_t *p, uint32_t size)
{
    if (size != 5 || (p[0] > CHIP_BROWN_OUT && p[0] != GO_ON))
        return refuse("a start needs a cause of 0..%u or %u, and an address", CHIP_BROWN_OUT, GO_ON);
    uint32_t address = get(p + 1, 4);
    if (p[0] != GO_ON)
        chip_power(c, p[0]);
    if (!chip_run_to(c, address, START_CYCLES) && !c->error[0])
        return refuse("the firmware did not come to 0x%04x, or to its timer, in %u ms", address,
                      START_TICKS);
    put_state(c, 0);
    return true;
}

static bool in_memory(const chip *c, uint32_t at, uint32_t size)
{
    return at + size <= c->avr->ramend + 1u ||
           refuse("%u bytes at 0x%04x end past 0x%04x", size, at, (unsigned)c->avr->ramend);
}

static bool write_eeprom(chip *c, uint32_t at, uint8_t *data, uint32_t size)
{
    if (at + size > c->avr->e2end + 1u)
        return refuse("%u bytes at 0x%04x end past the EEPROM's 0x%04x", size, at,
                      (unsigned)c->avr->e2end);
    avr_eeprom_desc_t block = {.ee = data, .offset = (uint16_t)at, .size = size};
    avr_ioctl(c->avr, AVR_IOCTL_EEPROM_SET, &block);
    return true;
}

static bool put_vectors(chip *c)
{
    for (uint8_t v = 0; v < CHIP_VECTORS; v++) {
        put(c->vector[v].count, 4);
        put(c->vector[v].longest, 4);
        put(c->vector[v].latest, 4);
        c->vector[v].count = c->vector[v].longest = c->vector[v].latest = 0;
    }
    return true;
}

static bool obey(chip *c, uint8_t what, uint8_t *p, uint32_t size)
{
    switch (what) {
    case 'S':
    case 'F':
        return step(c, p, size, what == 'F');
    case 'P':
        return power(c, p, size);
    case 'V':
        return put_vectors(c);
    case 'H':
        if (size != 1 || p[0] > CHIP_INTERRUPTS_HANG)
            return refuse("a hang needs how, 0..%u", CHIP_INTERRUPTS_HANG);
        chip_set_hang(c, p[0]);
        return true;
    case 'R':
        if (size != 4)
            return refuse("a reading needs an address and a size");
        if (!in_memory(c, get(p, 2), get(p + 2, 2)))
            return false;
        put_bytes(c->avr->data + get(p, 2), get(p + 2, 2));
        return true;
    case 'W':
    case 'E':
        if (size < 2)
            return refuse("a writing needs an address");
        if (what == 'E')
            return write_eeprom(c, get(p, 2), p + 2, size - 2);
        if (!in_memory(c, get(p, 2), size - 2))
            return false;
        memcpy(c->avr->data + get(p, 2), p + 2, size - 2);
        return true;
    default:
        return refuse("unknown request 0x%02x", what);
    }
}

static bool read_all(int fd, uint8_t *to, uint32_t size)
{
    while (size > 0) {
        ssize_t got = read(fd, to, size);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return false;
        to += got;
        size -= (uint32_t)got;
    }
    return true;
}

static bool write_all(int fd, const uint8_t *from, uint32_t size)
{
    while (size > 0) {
        ssize_t put_out = write(fd, from, size);
        if (put_out < 0 && errno == EINTR)
            continue;
        if (put_out <= 0)
            return false;
        from += put_out;
        size -= (uint32_t)put_out;
    }
    return true;
}

static bool send_answer(int fd, bool good)
{
    uint8_t status = !good;
    if (!good) {
        answer_size = 5;
        put_bytes((const uint8_t *)wrong, (uint32_t)strlen(wrong));
    }
    uint32_t end = answer_size;
    answer_size = 0;
    put(status, 1);
    put(end - 5u, 4);
    return write_all(fd, answer, end);
}

int lockstep_serve(chip *c, int fd)
{
    uint8_t head[5];
    while (read_all(fd, head, sizeof head)) {
        uint32_t size = get(head + 1, 4);
        answer_size = sizeof head; /* written last */
        if (size > REQUEST_MOST) {
            refuse("a request of %u bytes is too long, the most is %u", size, REQUEST_MOST);
            send_answer(fd, false);
            return 1;
        }
        if (!read_all(fd, request, size))
            return 0;
        bool good = obey(c, head[0], request, size);
        if (c->error[0])
            good = refuse("%s", c->error);
        if (!send_answer(fd, good))
            return 0;
        if (c->error[0])
            return 1;
    }
    return 0;
}
