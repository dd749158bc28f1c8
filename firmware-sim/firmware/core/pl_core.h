/* State and entry points of the portable core. One pl_core is one device; nothing is global.
 *
 * Two contexts call in. The timer context (pl_sample_tick, once a tick) and the serial interrupts
 * (pl_rx_byte, pl_tx_byte) may interrupt the main loop (pl_poll) anywhere outside a lock. */
#ifndef PL_CORE_H
#define PL_CORE_H

#include <stdbool.h>
#include <stdint.h>

#include "pl_board.h"
#include "pl_link.h"
#include "pl_wire.h"

#define PL_TICK_HZ 1000u /* hold_ms counts ticks: both are milliseconds */
#define PL_FIRMWARE {0u, 1u, 0u}
#define PL_DEBOUNCE_TICKS 20u    /* an input must look closed this long; open counts at once */
#define PL_FRAME_TICKS 50u       /* at start */
#define PL_FRAME_TICKS_MIN 10u
#define PL_FRAME_TICKS_MAX 1000u
#define PL_HOLD_MS_MAX 60000u
#define PL_TARGET_MAX ((int64_t)1 << 62) /* one more tick can never overflow the sum */
#define PL_LOG_LENGTH 16u        /* a power of two */

/* The device's own limits of light, in ticks, whatever an order says. A board may set its own. */
#ifndef PL_ORDER_TICKS_MAX
#define PL_ORDER_TICKS_MAX 1810000u /* of one order: 30 min, by a clock 0.5 % fast too */
#endif
#ifndef PL_HOUR_LIT_MAX
#define PL_HOUR_LIT_MAX 2700000u /* of any hour: 45 min */
#endif
#ifndef PL_HOUR_TICKS
#define PL_HOUR_TICKS 3600000u
#endif
#define PL_HOUR_SLICES 12u /* light is forgotten a slice at a time, at the latest one slice late */
#define PL_SLICE_TICKS (PL_HOUR_TICKS / PL_HOUR_SLICES)
#define PL_HOUR_STEP 64u /* ticks; a power of two */

#define PL_OUTPUTS 3u
#define PL_INPUTS 2u

/* Columns of one reading of all converters. Water takes the place of the last light channel. */
enum { PL_WATER = PL_LIGHT_CHANNELS - 1 };
enum { PL_VACUUM = PL_LIGHT_CHANNELS, PL_OVEN, PL_HEAD, PL_BANDGAP, PL_ANALOG };

typedef struct {
    uint8_t board;
    uint8_t light_channels; /* 0..PL_LIGHT_CHANNELS */
    uint8_t adc_bits;
    uint8_t capabilities;
    uint8_t reset_cause;
    uint32_t boot_id;
    uint32_t tick; /* the first sampling interrupt will be tick + 1 */
} pl_config;

/* Light of the hour behind us. */
typedef struct {
    uint32_t lit;  /* ticks of light in the slice under way */
    uint32_t left; /* ticks to its end */
    uint32_t sum;  /* ticks of light in the slices before it */
    uint16_t slice[PL_HOUR_SLICES]; /* each of them, in steps */
    uint8_t oldest;
} pl_hour;

/* Counts of one slow channel since they were told. */
typedef struct {
    uint32_t sum;
    uint16_t count;
} pl_mean;

typedef struct {
    pl_mean mean;
    uint16_t min;
    uint16_t max;
} pl_window;

typedef struct {
    int64_t target;
    int64_t sum;
    uint64_t open_sum[PL_LIGHT_CHANNELS];
    uint64_t close_sum[PL_LIGHT_CHANNELS];
    uint32_t open_count[PL_LIGHT_CHANNELS];
    uint32_t close_count[PL_LIGHT_CHANNELS];
    uint32_t number;
    uint32_t guard_ticks;
    uint32_t open_tick;
    uint32_t close_tick;
    int32_t bias;
    uint16_t weight[PL_LIGHT_CHANNELS];
    uint16_t silence_ticks;
    uint8_t silence_policy;
    uint8_t state;
    uint8_t reason;
    bool open_due;  /* an accepted Open waits for the next tick */
    bool close_due; /* an accepted Close waits for the next tick */
} pl_order;

typedef struct {
    uint32_t tick;
    uint16_t number;
    uint8_t code;
    uint8_t arg;
} pl_event;

typedef struct {
    pl_event entry[PL_LOG_LENGTH]; /* number n stands in slot (n - 1) mod PL_LOG_LENGTH */
    uint16_t newest;               /* 0: none yet */
    uint16_t sent;                 /* newest one on the wire */
    uint16_t replay_from;          /* GetLog under way: newest when it came in */
    uint8_t replay_left;           /* numbers still to look at; replay_from is the last */
    bool replaying;
    uint16_t replay_seq;
} pl_log;

typedef struct pl_core {
    /* what the sampling interrupt writes */
    uint64_t light_sum[PL_LIGHT_CHANNELS];
    uint32_t light_count[PL_LIGHT_CHANNELS];
    uint16_t light_min[PL_LIGHT_CHANNELS];
    uint16_t light_max[PL_LIGHT_CHANNELS];
    pl_window vacuum; /* it, oven and head since the previous Sample */
    pl_mean oven, head;
    pl_mean supply; /* since the previous Supply */
    uint32_t tick;
    uint16_t frame_left;    /* ticks to the next Sample */
    uint16_t heartbeat_age; /* ticks since the last Heartbeat, stays at 0xFFFF */
    uint16_t hold_left[PL_OUTPUTS];
    uint8_t debounce[PL_INPUTS];
    uint8_t inputs;
    uint8_t wanted;  /* VACUUM and BEEPER as the host asked */
    uint8_t outputs; /* as driven; the lamp bit follows the order alone */
    bool latched;
    bool light_fresh; /* light_min and light_max begin anew with the next tick */
    bool host_silent; /* HOST_SILENT was logged, HOST_BACK not yet */
    pl_order order;
    pl_hour hour;
    pl_log log;
    /* fixed since start, but for frame_ticks */
    pl_config config;
    uint16_t frame_ticks;
    pl_link link;
} pl_core;

/* Switches every output off, then begins. `pl` need not be initialised. */
void pl_start(pl_core *pl, const pl_config *config);

/* One sampling interrupt: `analog` holds PL_ANALOG counts, `inputs` the raw PL_INPUT bits. */
void pl_sample_tick(pl_core *pl, const uint16_t *analog, uint8_t inputs);

/* One turn of the main loop: reads what came in, answers, sends what is due. */
void pl_poll(pl_core *pl);

/* --- between the files of the core --- */

/* pl_order.c; the tick function in timer context, the others locked, returning a PL_REPLY_CODE */
void pl_order_tick(pl_core *pl, const uint16_t *light);
uint8_t pl_order_arm(pl_core *pl, const uint8_t *payload);
uint8_t pl_order_rearm(pl_core *pl, uint32_t number, int64_t target);
uint8_t pl_order_disarm(pl_core *pl, uint32_t number);
uint8_t pl_order_open(pl_core *pl, uint32_t number);
uint8_t pl_order_close(pl_core *pl, uint32_t number);
uint8_t pl_light_refusal(const pl_core *pl); /* why light is not allowed now, or OK */

/* pl_limits.c */
void pl_limits_tick(pl_core *pl); /* timer context, before the order decides */
bool pl_limits_allow(const pl_core *pl, uint32_t ticks); /* light of that length from now on */
bool pl_limits_reached(const pl_core *pl);               /* no light after this tick */
uint32_t pl_hour_lit(const pl_core *pl);                 /* ticks of light in the hour before */

/* pl_outputs.c */
void pl_outputs_expire(pl_core *pl);
void pl_outputs_drive(pl_core *pl);
uint8_t pl_outputs_set(pl_core *pl, uint8_t output, uint8_t on, uint16_t hold_ms);

/* pl_log.c */
void pl_log_add(pl_core *pl, uint8_t code, uint8_t arg); /* timer context or locked */
void pl_log_send(pl_core *pl);
void pl_log_replay(pl_core *pl, uint16_t from, uint16_t seq);

/* pl_command.c */
void pl_command(pl_core *pl, const uint8_t *frame, uint16_t size);

/* pl_send.c; each sends whole or not at all */
void pl_send_hello(pl_core *pl);
void pl_send_sample(pl_core *pl);
void pl_send_event(pl_core *pl, const pl_event *event);
void pl_send_reply(pl_core *pl, uint16_t seq, uint8_t type, uint8_t code);
void pl_send_order_report(pl_core *pl);
void pl_send_supply(pl_core *pl);

#endif
