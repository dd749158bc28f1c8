/* The wire as the firmware knows it; written by platesim/wiregen.py; do not edit.
 * Byte order and padding of the machine do not matter: every field is loaded and stored
 * byte by byte. */
#ifndef PL_WIRE_H
#define PL_WIRE_H

#include <stdint.h>

#define PL_PROTOCOL_VERSION 1u
#define PL_LIGHT_CHANNELS 4u
#define PL_MAX_PAYLOAD 160u
#define PL_FRAME_OVERHEAD 5u /* type, sequence number, CRC */
#define PL_MAX_COMMAND 31u /* payload bytes */
#define PL_MAX_ANSWER 130u /* payload bytes */
#define PL_FIRST_COMMAND 0x40u /* lower types travel from the device */

enum { /* Outputs of the device; as a mask, bit `1 << output`. Off is the safe state of each. */
    PL_OUTPUT_LAMP = 0,
    PL_OUTPUT_VACUUM = 1,
    PL_OUTPUT_BEEPER = 2,
};

enum { /* Digital inputs after debounce; a set bit is the state in which light is allowed. */
    PL_INPUT_INTERLOCK_CLOSED = 1,
    PL_INPUT_STOP_RELEASED = 2,
};

enum { /* Life of a standing order on the device. */
    PL_ORDER_STATE_NONE = 0,
    PL_ORDER_STATE_ARMED = 1,
    PL_ORDER_STATE_OPEN = 2,
    PL_ORDER_STATE_CLOSED = 3,
};

enum { /* Why the lamp output went off. */
    PL_CLOSE_REASON_NONE = 0,
    PL_CLOSE_REASON_DOSE = 1,
    PL_CLOSE_REASON_GUARD = 2,
    PL_CLOSE_REASON_HOST = 3,
    PL_CLOSE_REASON_SILENCE = 4,
    PL_CLOSE_REASON_INTERLOCK = 5,
    PL_CLOSE_REASON_STOP = 6,
};

enum { /* What an open order does when the host falls silent. */
    PL_SILENCE_POLICY_CLOSE = 0,
    PL_SILENCE_POLICY_FINISH = 1,
};

enum { /* Why the device started. */
    PL_RESET_CAUSE_POWER_ON = 0,
    PL_RESET_CAUSE_EXTERNAL = 1,
    PL_RESET_CAUSE_BROWN_OUT = 2,
    PL_RESET_CAUSE_WATCHDOG = 3,
    PL_RESET_CAUSE_UNKNOWN = 4,
};

enum { /* Which board file the core was built with. */
    PL_BOARD_HOST = 1,
    PL_BOARD_AVR = 2,
};

enum { /* What this device has. */
    PL_CAPABILITY_VACUUM = 1,
    PL_CAPABILITY_OVEN = 2,
    PL_CAPABILITY_HEAD_TEMPERATURE = 4,
    PL_CAPABILITY_LAMP_OUTPUT = 8,
    PL_CAPABILITY_SUMS_SURVIVE_RESET = 16,
    PL_CAPABILITY_WATER = 32,
    PL_CAPABILITY_SUPPLY = 64,
};

enum { /* Edges the device stamps with its own tick; `Event.arg` as noted. */
    PL_EVENT_CODE_BOOT = 1,
    PL_EVENT_CODE_ORDER_ARMED = 2,
    PL_EVENT_CODE_LAMP_OPENED = 3,
    PL_EVENT_CODE_LAMP_CLOSED = 4,
    PL_EVENT_CODE_INTERLOCK_OPENED = 5,
    PL_EVENT_CODE_INTERLOCK_CLOSED = 6,
    PL_EVENT_CODE_STOP_PRESSED = 7,
    PL_EVENT_CODE_STOP_RELEASED = 8,
    PL_EVENT_CODE_HOST_SILENT = 9,
    PL_EVENT_CODE_HOST_BACK = 10,
    PL_EVENT_CODE_OUTPUT_EXPIRED = 11,
    PL_EVENT_CODE_LATCH_RESET = 12,
};

enum { /* Answer of the device to a command. */
    PL_REPLY_CODE_OK = 0,
    PL_REPLY_CODE_UNKNOWN_TYPE = 1,
    PL_REPLY_CODE_BAD_LENGTH = 2,
    PL_REPLY_CODE_BAD_VALUE = 3,
    PL_REPLY_CODE_WRONG_STATE = 4,
    PL_REPLY_CODE_WRONG_ORDER = 5,
    PL_REPLY_CODE_INTERLOCK_OPEN = 6,
    PL_REPLY_CODE_LATCHED = 7,
    PL_REPLY_CODE_STOP_PRESSED = 8,
    PL_REPLY_CODE_HOST_SILENT = 9,
    PL_REPLY_CODE_WRONG_PROTOCOL = 10,
};

#define PL_HELLO 0x01u
#define PL_HELLO_SIZE 21u
#define PL_SAMPLE 0x02u
#define PL_SAMPLE_SIZE 120u
#define PL_EVENT 0x03u
#define PL_EVENT_SIZE 8u
#define PL_REPLY 0x04u
#define PL_REPLY_SIZE 4u
#define PL_ORDER_REPORT 0x05u
#define PL_ORDER_REPORT_SIZE 130u
#define PL_SUPPLY 0x06u
#define PL_SUPPLY_SIZE 10u
#define PL_GET_HELLO 0x41u
#define PL_GET_HELLO_SIZE 1u
#define PL_HEARTBEAT 0x42u
#define PL_HEARTBEAT_SIZE 0u
#define PL_SET_OUTPUT 0x43u
#define PL_SET_OUTPUT_SIZE 4u
#define PL_ARM 0x44u
#define PL_ARM_SIZE 31u
#define PL_REARM 0x45u
#define PL_REARM_SIZE 12u
#define PL_DISARM 0x46u
#define PL_DISARM_SIZE 4u
#define PL_OPEN 0x47u
#define PL_OPEN_SIZE 4u
#define PL_CLOSE 0x48u
#define PL_CLOSE_SIZE 4u
#define PL_GET_ORDER 0x49u
#define PL_GET_ORDER_SIZE 0u
#define PL_RESET_LATCH 0x4Au
#define PL_RESET_LATCH_SIZE 0u
#define PL_SET_FRAME 0x4Bu
#define PL_SET_FRAME_SIZE 2u
#define PL_GET_LOG 0x4Cu
#define PL_GET_LOG_SIZE 2u
#define PL_GET_SUPPLY 0x4Du
#define PL_GET_SUPPLY_SIZE 0u

#define PL_NOT_A_COMMAND 0xFFu
/* Payload bytes of a command, PL_NOT_A_COMMAND for any other type. */
static inline uint8_t pl_command_size(uint8_t type)
{
    switch (type) {
    case PL_GET_HELLO: return PL_GET_HELLO_SIZE;
    case PL_HEARTBEAT: return PL_HEARTBEAT_SIZE;
    case PL_SET_OUTPUT: return PL_SET_OUTPUT_SIZE;
    case PL_ARM: return PL_ARM_SIZE;
    case PL_REARM: return PL_REARM_SIZE;
    case PL_DISARM: return PL_DISARM_SIZE;
    case PL_OPEN: return PL_OPEN_SIZE;
    case PL_CLOSE: return PL_CLOSE_SIZE;
    case PL_GET_ORDER: return PL_GET_ORDER_SIZE;
    case PL_RESET_LATCH: return PL_RESET_LATCH_SIZE;
    case PL_SET_FRAME: return PL_SET_FRAME_SIZE;
    case PL_GET_LOG: return PL_GET_LOG_SIZE;
    case PL_GET_SUPPLY: return PL_GET_SUPPLY_SIZE;
    default: return PL_NOT_A_COMMAND;
    }
}

static inline uint8_t pl_load8(const uint8_t *p) { return p[0]; }
static inline uint16_t pl_load16(const uint8_t *p)
{
    return (uint16_t)((uint16_t)p[0] | (uint16_t)((uint16_t)p[1] << 8));
}
static inline uint32_t pl_load32(const uint8_t *p)
{
    return (uint32_t)pl_load16(p) | ((uint32_t)pl_load16(p + 2) << 16);
}
static inline uint64_t pl_load64(const uint8_t *p)
{
    return (uint64_t)pl_load32(p) | ((uint64_t)pl_load32(p + 4) << 32);
}
static inline void pl_store8(uint8_t *p, uint8_t v) { p[0] = v; }
static inline void pl_store16(uint8_t *p, uint16_t v)
{
    p[0] = (uint8_t)v;
    p[1] = (uint8_t)(v >> 8);
}
static inline void pl_store32(uint8_t *p, uint32_t v)
{
    pl_store16(p, (uint16_t)v);
    pl_store16(p + 2, (uint16_t)(v >> 16));
}
static inline void pl_store64(uint8_t *p, uint64_t v)
{
    pl_store32(p, (uint32_t)v);
    pl_store32(p + 4, (uint32_t)(v >> 32));
}

/* Hello */
static inline uint8_t pl_get_hello_protocol(const uint8_t *p)
{ return (uint8_t)pl_load8(p); }
static inline void pl_set_hello_protocol(uint8_t *p, uint8_t v)
{ pl_store8(p, (uint8_t)v); }
static inline uint8_t pl_get_hello_board(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 1); }
static inline void pl_set_hello_board(uint8_t *p, uint8_t v)
{ pl_store8(p + 1, (uint8_t)v); }
static inline uint8_t pl_get_hello_firmware(const uint8_t *p, uint8_t i)
{ return (uint8_t)pl_load8(p + 2 + 1u * i); }
static inline void pl_set_hello_firmware(uint8_t *p, uint8_t i, uint8_t v)
{ pl_store8(p + 2 + 1u * i, (uint8_t)v); }
static inline uint8_t pl_get_hello_light_channels(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 5); }
static inline void pl_set_hello_light_channels(uint8_t *p, uint8_t v)
{ pl_store8(p + 5, (uint8_t)v); }
static inline uint8_t pl_get_hello_adc_bits(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 6); }
static inline void pl_set_hello_adc_bits(uint8_t *p, uint8_t v)
{ pl_store8(p + 6, (uint8_t)v); }
static inline uint8_t pl_get_hello_capabilities(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 7); }
static inline void pl_set_hello_capabilities(uint8_t *p, uint8_t v)
{ pl_store8(p + 7, (uint8_t)v); }
static inline uint8_t pl_get_hello_reset_cause(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 8); }
static inline void pl_set_hello_reset_cause(uint8_t *p, uint8_t v)
{ pl_store8(p + 8, (uint8_t)v); }
static inline uint32_t pl_get_hello_boot_id(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 9); }
static inline void pl_set_hello_boot_id(uint8_t *p, uint32_t v)
{ pl_store32(p + 9, (uint32_t)v); }
static inline uint32_t pl_get_hello_tick(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 13); }
static inline void pl_set_hello_tick(uint8_t *p, uint32_t v)
{ pl_store32(p + 13, (uint32_t)v); }
static inline uint16_t pl_get_hello_tick_hz(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 17); }
static inline void pl_set_hello_tick_hz(uint8_t *p, uint16_t v)
{ pl_store16(p + 17, (uint16_t)v); }
static inline uint16_t pl_get_hello_frame_ticks(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 19); }
static inline void pl_set_hello_frame_ticks(uint8_t *p, uint16_t v)
{ pl_store16(p + 19, (uint16_t)v); }

/* Sample */
static inline uint32_t pl_get_sample_tick(const uint8_t *p)
{ return (uint32_t)pl_load32(p); }
static inline void pl_set_sample_tick(uint8_t *p, uint32_t v)
{ pl_store32(p, (uint32_t)v); }
static inline uint8_t pl_get_sample_inputs(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 4); }
static inline void pl_set_sample_inputs(uint8_t *p, uint8_t v)
{ pl_store8(p + 4, (uint8_t)v); }
static inline uint8_t pl_get_sample_outputs(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 5); }
static inline void pl_set_sample_outputs(uint8_t *p, uint8_t v)
{ pl_store8(p + 5, (uint8_t)v); }
static inline uint8_t pl_get_sample_latched(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 6); }
static inline void pl_set_sample_latched(uint8_t *p, uint8_t v)
{ pl_store8(p + 6, (uint8_t)v); }
static inline uint8_t pl_get_sample_order_state(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 7); }
static inline void pl_set_sample_order_state(uint8_t *p, uint8_t v)
{ pl_store8(p + 7, (uint8_t)v); }
static inline uint8_t pl_get_sample_close_reason(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 8); }
static inline void pl_set_sample_close_reason(uint8_t *p, uint8_t v)
{ pl_store8(p + 8, (uint8_t)v); }
static inline uint8_t pl_get_sample_events(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 9); }
static inline void pl_set_sample_events(uint8_t *p, uint8_t v)
{ pl_store8(p + 9, (uint8_t)v); }
static inline uint32_t pl_get_sample_order(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 10); }
static inline void pl_set_sample_order(uint8_t *p, uint32_t v)
{ pl_store32(p + 10, (uint32_t)v); }
static inline uint64_t pl_get_sample_light_sum(const uint8_t *p, uint8_t i)
{ return (uint64_t)pl_load64(p + 14 + 8u * i); }
static inline void pl_set_sample_light_sum(uint8_t *p, uint8_t i, uint64_t v)
{ pl_store64(p + 14 + 8u * i, (uint64_t)v); }
static inline uint32_t pl_get_sample_light_count(const uint8_t *p, uint8_t i)
{ return (uint32_t)pl_load32(p + 46 + 4u * i); }
static inline void pl_set_sample_light_count(uint8_t *p, uint8_t i, uint32_t v)
{ pl_store32(p + 46 + 4u * i, (uint32_t)v); }
static inline uint16_t pl_get_sample_light_min(const uint8_t *p, uint8_t i)
{ return (uint16_t)pl_load16(p + 62 + 2u * i); }
static inline void pl_set_sample_light_min(uint8_t *p, uint8_t i, uint16_t v)
{ pl_store16(p + 62 + 2u * i, (uint16_t)v); }
static inline uint16_t pl_get_sample_light_max(const uint8_t *p, uint8_t i)
{ return (uint16_t)pl_load16(p + 70 + 2u * i); }
static inline void pl_set_sample_light_max(uint8_t *p, uint8_t i, uint16_t v)
{ pl_store16(p + 70 + 2u * i, (uint16_t)v); }
static inline uint32_t pl_get_sample_vacuum_sum(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 78); }
static inline void pl_set_sample_vacuum_sum(uint8_t *p, uint32_t v)
{ pl_store32(p + 78, (uint32_t)v); }
static inline uint16_t pl_get_sample_vacuum_count(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 82); }
static inline void pl_set_sample_vacuum_count(uint8_t *p, uint16_t v)
{ pl_store16(p + 82, (uint16_t)v); }
static inline uint16_t pl_get_sample_vacuum_min(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 84); }
static inline void pl_set_sample_vacuum_min(uint8_t *p, uint16_t v)
{ pl_store16(p + 84, (uint16_t)v); }
static inline uint16_t pl_get_sample_vacuum_max(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 86); }
static inline void pl_set_sample_vacuum_max(uint8_t *p, uint16_t v)
{ pl_store16(p + 86, (uint16_t)v); }
static inline uint32_t pl_get_sample_oven_sum(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 88); }
static inline void pl_set_sample_oven_sum(uint8_t *p, uint32_t v)
{ pl_store32(p + 88, (uint32_t)v); }
static inline uint16_t pl_get_sample_oven_count(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 92); }
static inline void pl_set_sample_oven_count(uint8_t *p, uint16_t v)
{ pl_store16(p + 92, (uint16_t)v); }
static inline uint32_t pl_get_sample_head_sum(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 94); }
static inline void pl_set_sample_head_sum(uint8_t *p, uint32_t v)
{ pl_store32(p + 94, (uint32_t)v); }
static inline uint16_t pl_get_sample_head_count(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 98); }
static inline void pl_set_sample_head_count(uint8_t *p, uint16_t v)
{ pl_store16(p + 98, (uint16_t)v); }
static inline int64_t pl_get_sample_order_sum(const uint8_t *p)
{ return (int64_t)pl_load64(p + 100); }
static inline void pl_set_sample_order_sum(uint8_t *p, int64_t v)
{ pl_store64(p + 100, (uint64_t)v); }
static inline int64_t pl_get_sample_order_target(const uint8_t *p)
{ return (int64_t)pl_load64(p + 108); }
static inline void pl_set_sample_order_target(uint8_t *p, int64_t v)
{ pl_store64(p + 108, (uint64_t)v); }
static inline uint16_t pl_get_sample_rx_bad(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 116); }
static inline void pl_set_sample_rx_bad(uint8_t *p, uint16_t v)
{ pl_store16(p + 116, (uint16_t)v); }
static inline uint16_t pl_get_sample_rx_overrun(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 118); }
static inline void pl_set_sample_rx_overrun(uint8_t *p, uint16_t v)
{ pl_store16(p + 118, (uint16_t)v); }

/* Event */
static inline uint16_t pl_get_event_number(const uint8_t *p)
{ return (uint16_t)pl_load16(p); }
static inline void pl_set_event_number(uint8_t *p, uint16_t v)
{ pl_store16(p, (uint16_t)v); }
static inline uint8_t pl_get_event_code(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 2); }
static inline void pl_set_event_code(uint8_t *p, uint8_t v)
{ pl_store8(p + 2, (uint8_t)v); }
static inline uint8_t pl_get_event_arg(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 3); }
static inline void pl_set_event_arg(uint8_t *p, uint8_t v)
{ pl_store8(p + 3, (uint8_t)v); }
static inline uint32_t pl_get_event_tick(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 4); }
static inline void pl_set_event_tick(uint8_t *p, uint32_t v)
{ pl_store32(p + 4, (uint32_t)v); }

/* Reply */
static inline uint16_t pl_get_reply_seq(const uint8_t *p)
{ return (uint16_t)pl_load16(p); }
static inline void pl_set_reply_seq(uint8_t *p, uint16_t v)
{ pl_store16(p, (uint16_t)v); }
static inline uint8_t pl_get_reply_type(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 2); }
static inline void pl_set_reply_type(uint8_t *p, uint8_t v)
{ pl_store8(p + 2, (uint8_t)v); }
static inline uint8_t pl_get_reply_code(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 3); }
static inline void pl_set_reply_code(uint8_t *p, uint8_t v)
{ pl_store8(p + 3, (uint8_t)v); }

/* OrderReport */
static inline uint32_t pl_get_order_report_order(const uint8_t *p)
{ return (uint32_t)pl_load32(p); }
static inline void pl_set_order_report_order(uint8_t *p, uint32_t v)
{ pl_store32(p, (uint32_t)v); }
static inline uint8_t pl_get_order_report_state(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 4); }
static inline void pl_set_order_report_state(uint8_t *p, uint8_t v)
{ pl_store8(p + 4, (uint8_t)v); }
static inline uint8_t pl_get_order_report_close_reason(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 5); }
static inline void pl_set_order_report_close_reason(uint8_t *p, uint8_t v)
{ pl_store8(p + 5, (uint8_t)v); }
static inline uint32_t pl_get_order_report_boot_id(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 6); }
static inline void pl_set_order_report_boot_id(uint8_t *p, uint32_t v)
{ pl_store32(p + 6, (uint32_t)v); }
static inline uint32_t pl_get_order_report_open_tick(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 10); }
static inline void pl_set_order_report_open_tick(uint8_t *p, uint32_t v)
{ pl_store32(p + 10, (uint32_t)v); }
static inline uint32_t pl_get_order_report_close_tick(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 14); }
static inline void pl_set_order_report_close_tick(uint8_t *p, uint32_t v)
{ pl_store32(p + 14, (uint32_t)v); }
static inline int64_t pl_get_order_report_order_sum(const uint8_t *p)
{ return (int64_t)pl_load64(p + 18); }
static inline void pl_set_order_report_order_sum(uint8_t *p, int64_t v)
{ pl_store64(p + 18, (uint64_t)v); }
static inline int64_t pl_get_order_report_order_target(const uint8_t *p)
{ return (int64_t)pl_load64(p + 26); }
static inline void pl_set_order_report_order_target(uint8_t *p, int64_t v)
{ pl_store64(p + 26, (uint64_t)v); }
static inline uint64_t pl_get_order_report_open_sum(const uint8_t *p, uint8_t i)
{ return (uint64_t)pl_load64(p + 34 + 8u * i); }
static inline void pl_set_order_report_open_sum(uint8_t *p, uint8_t i, uint64_t v)
{ pl_store64(p + 34 + 8u * i, (uint64_t)v); }
static inline uint64_t pl_get_order_report_close_sum(const uint8_t *p, uint8_t i)
{ return (uint64_t)pl_load64(p + 66 + 8u * i); }
static inline void pl_set_order_report_close_sum(uint8_t *p, uint8_t i, uint64_t v)
{ pl_store64(p + 66 + 8u * i, (uint64_t)v); }
static inline uint32_t pl_get_order_report_open_count(const uint8_t *p, uint8_t i)
{ return (uint32_t)pl_load32(p + 98 + 4u * i); }
static inline void pl_set_order_report_open_count(uint8_t *p, uint8_t i, uint32_t v)
{ pl_store32(p + 98 + 4u * i, (uint32_t)v); }
static inline uint32_t pl_get_order_report_close_count(const uint8_t *p, uint8_t i)
{ return (uint32_t)pl_load32(p + 114 + 4u * i); }
static inline void pl_set_order_report_close_count(uint8_t *p, uint8_t i, uint32_t v)
{ pl_store32(p + 114 + 4u * i, (uint32_t)v); }

/* Supply */
static inline uint32_t pl_get_supply_tick(const uint8_t *p)
{ return (uint32_t)pl_load32(p); }
static inline void pl_set_supply_tick(uint8_t *p, uint32_t v)
{ pl_store32(p, (uint32_t)v); }
static inline uint32_t pl_get_supply_bandgap_sum(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 4); }
static inline void pl_set_supply_bandgap_sum(uint8_t *p, uint32_t v)
{ pl_store32(p + 4, (uint32_t)v); }
static inline uint16_t pl_get_supply_bandgap_count(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 8); }
static inline void pl_set_supply_bandgap_count(uint8_t *p, uint16_t v)
{ pl_store16(p + 8, (uint16_t)v); }

/* GetHello */
static inline uint8_t pl_get_get_hello_protocol(const uint8_t *p)
{ return (uint8_t)pl_load8(p); }
static inline void pl_set_get_hello_protocol(uint8_t *p, uint8_t v)
{ pl_store8(p, (uint8_t)v); }

/* SetOutput */
static inline uint8_t pl_get_set_output_output(const uint8_t *p)
{ return (uint8_t)pl_load8(p); }
static inline void pl_set_set_output_output(uint8_t *p, uint8_t v)
{ pl_store8(p, (uint8_t)v); }
static inline uint8_t pl_get_set_output_on(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 1); }
static inline void pl_set_set_output_on(uint8_t *p, uint8_t v)
{ pl_store8(p + 1, (uint8_t)v); }
static inline uint16_t pl_get_set_output_hold_ms(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 2); }
static inline void pl_set_set_output_hold_ms(uint8_t *p, uint16_t v)
{ pl_store16(p + 2, (uint16_t)v); }

/* Arm */
static inline uint32_t pl_get_arm_order(const uint8_t *p)
{ return (uint32_t)pl_load32(p); }
static inline void pl_set_arm_order(uint8_t *p, uint32_t v)
{ pl_store32(p, (uint32_t)v); }
static inline uint16_t pl_get_arm_weight(const uint8_t *p, uint8_t i)
{ return (uint16_t)pl_load16(p + 4 + 2u * i); }
static inline void pl_set_arm_weight(uint8_t *p, uint8_t i, uint16_t v)
{ pl_store16(p + 4 + 2u * i, (uint16_t)v); }
static inline int32_t pl_get_arm_bias(const uint8_t *p)
{ return (int32_t)pl_load32(p + 12); }
static inline void pl_set_arm_bias(uint8_t *p, int32_t v)
{ pl_store32(p + 12, (uint32_t)v); }
static inline int64_t pl_get_arm_target(const uint8_t *p)
{ return (int64_t)pl_load64(p + 16); }
static inline void pl_set_arm_target(uint8_t *p, int64_t v)
{ pl_store64(p + 16, (uint64_t)v); }
static inline uint32_t pl_get_arm_guard_ticks(const uint8_t *p)
{ return (uint32_t)pl_load32(p + 24); }
static inline void pl_set_arm_guard_ticks(uint8_t *p, uint32_t v)
{ pl_store32(p + 24, (uint32_t)v); }
static inline uint16_t pl_get_arm_silence_ticks(const uint8_t *p)
{ return (uint16_t)pl_load16(p + 28); }
static inline void pl_set_arm_silence_ticks(uint8_t *p, uint16_t v)
{ pl_store16(p + 28, (uint16_t)v); }
static inline uint8_t pl_get_arm_silence_policy(const uint8_t *p)
{ return (uint8_t)pl_load8(p + 30); }
static inline void pl_set_arm_silence_policy(uint8_t *p, uint8_t v)
{ pl_store8(p + 30, (uint8_t)v); }

/* Rearm */
static inline uint32_t pl_get_rearm_order(const uint8_t *p)
{ return (uint32_t)pl_load32(p); }
static inline void pl_set_rearm_order(uint8_t *p, uint32_t v)
{ pl_store32(p, (uint32_t)v); }
static inline int64_t pl_get_rearm_target(const uint8_t *p)
{ return (int64_t)pl_load64(p + 4); }
static inline void pl_set_rearm_target(uint8_t *p, int64_t v)
{ pl_store64(p + 4, (uint64_t)v); }

/* Disarm */
static inline uint32_t pl_get_disarm_order(const uint8_t *p)
{ return (uint32_t)pl_load32(p); }
static inline void pl_set_disarm_order(uint8_t *p, uint32_t v)
{ pl_store32(p, (uint32_t)v); }

/* Open */
static inline uint32_t pl_get_open_order(const uint8_t *p)
{ return (uint32_t)pl_load32(p); }
static inline void pl_set_open_order(uint8_t *p, uint32_t v)
{ pl_store32(p, (uint32_t)v); }

/* Close */
static inline uint32_t pl_get_close_order(const uint8_t *p)
{ return (uint32_t)pl_load32(p); }
static inline void pl_set_close_order(uint8_t *p, uint32_t v)
{ pl_store32(p, (uint32_t)v); }

/* SetFrame */
static inline uint16_t pl_get_set_frame_frame_ticks(const uint8_t *p)
{ return (uint16_t)pl_load16(p); }
static inline void pl_set_set_frame_frame_ticks(uint8_t *p, uint16_t v)
{ pl_store16(p, (uint16_t)v); }

/* GetLog */
static inline uint16_t pl_get_get_log_number(const uint8_t *p)
{ return (uint16_t)pl_load16(p); }
static inline void pl_set_get_log_number(uint8_t *p, uint16_t v)
{ pl_store16(p, (uint16_t)v); }

#endif
