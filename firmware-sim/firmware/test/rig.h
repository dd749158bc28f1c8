/* A device on the bench: its own board, a host's end of the line, and a clock that is a count. */
#ifndef RIG_H
#define RIG_H

#include "check.h"
#include "pl_core.h"

#define RIG_FRAMES 256

typedef struct {
    uint8_t type;
    uint16_t seq;
    uint8_t size;
    uint8_t payload[PL_MAX_PAYLOAD];
} rig_frame;

typedef struct {
    pl_core core; /* first: the board functions find the rig by it */
    uint8_t pins;
    unsigned pin_writes;
    int locks; /* depth; 0 outside */
    bool interrupts; /* a sampling interrupt falls in wherever the core leaves a lock */
    uint8_t inputs;
    uint16_t analog[PL_ANALOG];
    bool line_stands; /* nothing is taken from the tx ring */
    uint16_t seq;     /* of the next command */
    rig_frame frame[RIG_FRAMES]; /* what the device sent since rig_forget */
    int frames;
    uint8_t partial[512];
    uint16_t partial_size;
} rig_t;

extern rig_t rig;

void rig_power_on(void);                     /* as the device comes: inputs not yet closed */
void rig_power_on_with(const pl_config *config);
void rig_ready(void);                        /* inputs closed, heartbeat given, no frames kept */
void rig_ticks(uint32_t n);                  /* n sampling interrupts, the main loop after each */
void rig_poll(void);
void rig_forget(void);
void rig_bytes(const uint8_t *data, uint16_t size);
uint16_t rig_encode(uint8_t type, uint16_t seq, const uint8_t *payload, uint8_t size,
                    uint8_t *wire);

/* Sends a command under the next sequence number and returns the code of its Reply, -1 for none. */
int rig_command(uint8_t type, const uint8_t *payload, uint8_t size);
void rig_heartbeat(void);

typedef struct {
    uint32_t order;
    uint16_t weight[4];
    int32_t bias;
    int64_t target;
    uint32_t guard_ticks;
    uint16_t silence_ticks;
    uint8_t silence_policy;
} rig_order;
/* Order 1: one channel, weight 1, a target never reached, long guard and silence. */
rig_order rig_plain(void);
int rig_arm(rig_order order);
int rig_u32(uint8_t type, uint32_t value);   /* Open, Close, Disarm */
int rig_rearm(uint32_t order, int64_t target);
int rig_set_output(uint8_t output, uint8_t on, uint16_t hold_ms);
void rig_open(rig_order order);              /* armed, opened, and the tick of opening done */

const rig_frame *rig_last(uint8_t type);     /* newest frame of that type, or NULL */
int rig_count(uint8_t type);
int rig_events(uint8_t code);                /* events of that code */
uint32_t rig_event_tick(uint8_t code);       /* of the newest one */
uint8_t rig_event_arg(uint8_t code);
const uint8_t *rig_report(void);             /* payload of a fresh OrderReport */

#define LAMP_ON ((rig.pins & 1u) != 0)

#endif
