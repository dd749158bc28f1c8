/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chip in real time, its serial line on a pseudo-terminal. */
#include "paced.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define TICK_NS 1000000L
#define SECOND_NS 1000000000L
#define LONGEST_LAG_NS (250 * TICK_NS) /* later than this (stopped): go on from now, no race */

static uint16_t dark[CHIP_CONVERTERS], lit[CHIP_CONVERTERS];
static bool has_lit[CHIP_CONVERTERS];

static bool set_level(char word, unsigned channel, unsigned tenth_mv)
{
    if (channel >= CHIP_CONVERTERS || tenth_mv > CHIP_FULL_SCALE)
        return false;
    if (word == 'l') {
        lit[channel] = (uint16_t)tenth_mv;
        has_lit[channel] = true;
    } else {
        dark[channel] = (uint16_t)tenth_mv;
    }
    return true;
}

static void obey(chip *c, const char *text)
{
    unsigned a, b;
    const char *why = "not understood; see paced.h for the words";
    bool good = false;
    if (sscanf(text, "adc %u %u", &a, &b) == 2 || sscanf(text, "lit %u %u", &a, &b) == 2) {
        good = set_level(text[0], a, b);
        why = "channels are 0..7, levels 0..50000 (0.1 mV)";
    } else if (sscanf(text, "inputs %u", &a) == 1) {
        good = a <= CHIP_INPUTS;
        why = "the mask is 0..3";
        if (good)
            chip_set_inputs(c, (uint8_t)a);
    } else if (sscanf(text, "hang %u", &a) == 1) {
        good = a <= CHIP_INTERRUPTS_HANG;
        why = "how is 0..2";
        if (good)
            chip_set_hang(c, (uint8_t)a);
    } else if (sscanf(text, "power %u", &a) == 1) {
        good = a <= CHIP_BROWN_OUT;
        why = "the cause is 0..2";
        if (good)
            chip_power(c, (uint8_t)a);
    }
    if (good)
        printf("ok\n");
    else
        printf("error: %s\n", why);
}

/* Lines from standard input; false at its end. */
static bool read_orders(chip *c)
{
    static char text[128];
    static size_t size;
    char byte;
    struct pollfd in = {.fd = STDIN_FILENO, .events = POLLIN};
    while (poll(&in, 1, 0) > 0) {
        if (read(STDIN_FILENO, &byte, 1) <= 0)
            return false;
        if (byte != '\n') {
            if (size < sizeof text - 1)
                text[size++] = byte;
            continue;
        }
        text[size] = 0;
        size = 0;
        obey(c, text);
        fflush(stdout);
    }
    return true;
}

static void carry_bytes(chip *c, int master)
{
    uint8_t bytes[1024];
    struct pollfd end = {.fd = master, .events = POLLIN};
    bool open = poll(&end, 1, 0) >= 0 && !(end.revents & POLLHUP);
    ssize_t got = open && end.revents & POLLIN ? read(master, bytes, sizeof bytes) : 0;
    if (got > 0)
        line_put(&c->serial, bytes, (uint32_t)got);
    if (open && c->serial.sent_size > 0 &&
        write(master, c->serial.sent, c->serial.sent_size) < 0 && errno != EAGAIN)
        fprintf(stderr, "writing to the terminal: %s\n", strerror(errno));
    c->serial.sent_size = 0; /* what nobody takes is lost, as on a real line */
}

static void one_tick(chip *c)
{
    for (uint8_t i = 0; i < CHIP_CONVERTERS; i++)
        chip_set_converter(c, i, has_lit[i] && c->outputs & 1u ? lit[i] : dark[i]);
    chip_run_tick(c);
    for (uint16_t i = 0; i < c->changes; i++)
        printf("outputs %u at cycle %llu\n", c->change[i].outputs,
               (unsigned long long)c->change[i].cycle);
    if (c->changes != 0)
        fflush(stdout);
    c->changes = 0;
}

static int64_t ns_between(const struct timespec *from, const struct timespec *to)
{
    return (int64_t)(to->tv_sec - from->tv_sec) * SECOND_NS + (to->tv_nsec - from->tv_nsec);
}

/* Waits for the next tick of the wall; the time is absolute, so that nothing adds up. */
static void pace(struct timespec *next)
{
    struct timespec now;
    next->tv_nsec += TICK_NS;
    if (next->tv_nsec >= SECOND_NS) {
        next->tv_nsec -= SECOND_NS;
        next->tv_sec++;
    }
    clock_gettime(CLOCK_MONOTONIC, &now);
    if (ns_between(next, &now) > LONGEST_LAG_NS)
        *next = now;
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, next, NULL) == EINTR)
        ;
}

int paced_serve(chip *c)
{
    int master, client;
    char path[256];
    struct termios raw;
    if (openpty(&master, &client, path, NULL, NULL) != 0) {
        fprintf(stderr, "no pseudo-terminal: %s\n", strerror(errno));
        return 1;
    }
    tcgetattr(client, &raw);
    cfmakeraw(&raw); /* before anyone listens: an echo would answer us */
    tcsetattr(client, TCSANOW, &raw);
    close(client);
    fcntl(master, F_SETFL, O_NONBLOCK);
    printf("%s\n", path);
    fflush(stdout);
    struct timespec next;
    clock_gettime(CLOCK_MONOTONIC, &next);
    chip_power(c, CHIP_POWER_ON);
    while (!c->error[0] && read_orders(c)) {
        carry_bytes(c, master);
        one_tick(c);
        pace(&next);
    }
    if (c->error[0])
        fprintf(stderr, "%s\n", c->error);
    return c->error[0] != 0;
}
