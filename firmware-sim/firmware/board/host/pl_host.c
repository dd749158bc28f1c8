/* Board `host`: the core as a library that its caller steps tick by tick. No clock of its own. */
#include "pl_host.h"

#include <stddef.h>
#include <string.h>

void pl_board_outputs(pl_core *pl, uint8_t mask)
{
    ((pl_host *)(void *)pl)->pins = mask;
}

/* One thread calls at a time, and "interrupts" happen only inside pl_host_step. */
uint8_t pl_board_lock(void)
{
    return 0;
}

void pl_board_unlock(uint8_t before)
{
    (void)before;
}

uint32_t pl_host_size(void)
{
    return (uint32_t)sizeof(pl_host);
}

uint32_t pl_host_core_size(void)
{
    return (uint32_t)sizeof(pl_core);
}

/* The main loop, and the serial interrupt that takes what it sends. */
static void run_main_loop(pl_host *host)
{
    pl_poll(&host->core);
    while (host->wire_size < PL_HOST_WIRE) {
        int16_t byte = pl_tx_byte(&host->core.link);
        if (byte < 0)
            break;
        host->wire[host->wire_size++] = (uint8_t)byte;
    }
}

static uint64_t status(const pl_host *host, uint32_t said)
{
    return (uint64_t)host->wire_size << 32 | (uint64_t)host->pins << 24 | said;
}

uint64_t pl_host_start(pl_host *host, const uint32_t *config)
{
    const pl_config given = {
        .board = PL_BOARD_HOST,
        .light_channels = (uint8_t)config[0],
        .adc_bits = (uint8_t)config[1],
        .capabilities = (uint8_t)config[2],
        .reset_cause = (uint8_t)config[3],
        .boot_id = config[4],
        .tick = config[5],
    };
    pl_start(&host->core, &given);
    run_main_loop(host);
    return status(host, 0);
}

static uint64_t ticks(pl_host *host, const uint16_t *analog, uint32_t n, uint32_t inputs,
                      bool until_sent)
{
    uint8_t before = host->pins;
    uint32_t sent = host->wire_size;
    uint32_t done = 0;
    while (done < n && host->pins == before && !(until_sent && host->wire_size != sent)) {
        pl_sample_tick(&host->core, analog + (uint64_t)done * PL_ANALOG, (uint8_t)inputs);
        run_main_loop(host);
        done++;
    }
    return status(host, done);
}

uint64_t pl_host_step(pl_host *host, const uint16_t *analog, uint32_t n, uint32_t inputs)
{
    return ticks(host, analog, n, inputs, false);
}

uint64_t pl_host_run(pl_host *host, const uint16_t *analog, uint32_t n, uint32_t inputs)
{
    return ticks(host, analog, n, inputs, true);
}

uint64_t pl_host_receive(pl_host *host, const uint8_t *data, uint32_t size)
{
    for (uint32_t i = 0; i < size; i++) {
        pl_rx_byte(&host->core.link, data[i]);
        if (data[i] == 0 || i % (PL_RX_RING / 2u) == 0)
            run_main_loop(host);
    }
    run_main_loop(host);
    return status(host, 0);
}

const uint8_t *pl_host_wire(pl_host *host)
{
    return host->wire;
}

void pl_host_fetched(pl_host *host)
{
    host->wire_size = 0;
}

uint32_t pl_host_tick(const pl_host *host)
{
    return host->core.tick;
}

uint32_t pl_host_guard_at(void)
{
    return (uint32_t)offsetof(pl_host, core.order.guard_ticks);
}

void pl_host_forget(pl_host *host)
{
    memset(&host->core.order, 0, sizeof host->core.order);
}
