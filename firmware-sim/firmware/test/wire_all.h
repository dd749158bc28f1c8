/* Every message to and from flat values; written by platesim/wiregen.py; do not edit. */
#ifndef WIRE_ALL_H
#define WIRE_ALL_H

#include "pl_wire.h"

/* Returns the payload size, -1 for an unknown type. */
static int wire_write(uint8_t type, const int64_t *v, uint8_t *p)
{
    switch (type) {
    case 0x01:
        pl_set_hello_protocol(p, (uint8_t)v[0]);
        pl_set_hello_board(p, (uint8_t)v[1]);
        pl_set_hello_firmware(p, 0, (uint8_t)v[2]);
        pl_set_hello_firmware(p, 1, (uint8_t)v[3]);
        pl_set_hello_firmware(p, 2, (uint8_t)v[4]);
        pl_set_hello_light_channels(p, (uint8_t)v[5]);
        pl_set_hello_adc_bits(p, (uint8_t)v[6]);
        pl_set_hello_capabilities(p, (uint8_t)v[7]);
        pl_set_hello_reset_cause(p, (uint8_t)v[8]);
        pl_set_hello_boot_id(p, (uint32_t)v[9]);
        pl_set_hello_tick(p, (uint32_t)v[10]);
        pl_set_hello_tick_hz(p, (uint16_t)v[11]);
        pl_set_hello_frame_ticks(p, (uint16_t)v[12]);
        return 21;
    case 0x02:
        pl_set_sample_tick(p, (uint32_t)v[0]);
        pl_set_sample_inputs(p, (uint8_t)v[1]);
        pl_set_sample_outputs(p, (uint8_t)v[2]);
        pl_set_sample_latched(p, (uint8_t)v[3]);
        pl_set_sample_order_state(p, (uint8_t)v[4]);
        pl_set_sample_close_reason(p, (uint8_t)v[5]);
        pl_set_sample_events(p, (uint8_t)v[6]);
        pl_set_sample_order(p, (uint32_t)v[7]);
        pl_set_sample_light_sum(p, 0, (uint64_t)v[8]);
        pl_set_sample_light_sum(p, 1, (uint64_t)v[9]);
        pl_set_sample_light_sum(p, 2, (uint64_t)v[10]);
        pl_set_sample_light_sum(p, 3, (uint64_t)v[11]);
        pl_set_sample_light_count(p, 0, (uint32_t)v[12]);
        pl_set_sample_light_count(p, 1, (uint32_t)v[13]);
        pl_set_sample_light_count(p, 2, (uint32_t)v[14]);
        pl_set_sample_light_count(p, 3, (uint32_t)v[15]);
        pl_set_sample_light_min(p, 0, (uint16_t)v[16]);
        pl_set_sample_light_min(p, 1, (uint16_t)v[17]);
        pl_set_sample_light_min(p, 2, (uint16_t)v[18]);
        pl_set_sample_light_min(p, 3, (uint16_t)v[19]);
        pl_set_sample_light_max(p, 0, (uint16_t)v[20]);
        pl_set_sample_light_max(p, 1, (uint16_t)v[21]);
        pl_set_sample_light_max(p, 2, (uint16_t)v[22]);
        pl_set_sample_light_max(p, 3, (uint16_t)v[23]);
        pl_set_sample_vacuum_sum(p, (uint32_t)v[24]);
        pl_set_sample_vacuum_count(p, (uint16_t)v[25]);
        pl_set_sample_vacuum_min(p, (uint16_t)v[26]);
        pl_set_sample_vacuum_max(p, (uint16_t)v[27]);
        pl_set_sample_oven_sum(p, (uint32_t)v[28]);
        pl_set_sample_oven_count(p, (uint16_t)v[29]);
        pl_set_sample_head_sum(p, (uint32_t)v[30]);
        pl_set_sample_head_count(p, (uint16_t)v[31]);
        pl_set_sample_order_sum(p, (int64_t)v[32]);
        pl_set_sample_order_target(p, (int64_t)v[33]);
        pl_set_sample_rx_bad(p, (uint16_t)v[34]);
        pl_set_sample_rx_overrun(p, (uint16_t)v[35]);
        return 120;
    case 0x03:
        pl_set_event_number(p, (uint16_t)v[0]);
        pl_set_event_code(p, (uint8_t)v[1]);
        pl_set_event_arg(p, (uint8_t)v[2]);
        pl_set_event_tick(p, (uint32_t)v[3]);
        return 8;
    case 0x04:
        pl_set_reply_seq(p, (uint16_t)v[0]);
        pl_set_reply_type(p, (uint8_t)v[1]);
        pl_set_reply_code(p, (uint8_t)v[2]);
        return 4;
    case 0x05:
        pl_set_order_report_order(p, (uint32_t)v[0]);
        pl_set_order_report_state(p, (uint8_t)v[1]);
        pl_set_order_report_close_reason(p, (uint8_t)v[2]);
        pl_set_order_report_boot_id(p, (uint32_t)v[3]);
        pl_set_order_report_open_tick(p, (uint32_t)v[4]);
        pl_set_order_report_close_tick(p, (uint32_t)v[5]);
        pl_set_order_report_order_sum(p, (int64_t)v[6]);
        pl_set_order_report_order_target(p, (int64_t)v[7]);
        pl_set_order_report_open_sum(p, 0, (uint64_t)v[8]);
        pl_set_order_report_open_sum(p, 1, (uint64_t)v[9]);
        pl_set_order_report_open_sum(p, 2, (uint64_t)v[10]);
        pl_set_order_report_open_sum(p, 3, (uint64_t)v[11]);
        pl_set_order_report_close_sum(p, 0, (uint64_t)v[12]);
        pl_set_order_report_close_sum(p, 1, (uint64_t)v[13]);
        pl_set_order_report_close_sum(p, 2, (uint64_t)v[14]);
        pl_set_order_report_close_sum(p, 3, (uint64_t)v[15]);
        pl_set_order_report_open_count(p, 0, (uint32_t)v[16]);
        pl_set_order_report_open_count(p, 1, (uint32_t)v[17]);
        pl_set_order_report_open_count(p, 2, (uint32_t)v[18]);
        pl_set_order_report_open_count(p, 3, (uint32_t)v[19]);
        pl_set_order_report_close_count(p, 0, (uint32_t)v[20]);
        pl_set_order_report_close_count(p, 1, (uint32_t)v[21]);
        pl_set_order_report_close_count(p, 2, (uint32_t)v[22]);
        pl_set_order_report_close_count(p, 3, (uint32_t)v[23]);
        return 130;
    case 0x06:
        pl_set_supply_tick(p, (uint32_t)v[0]);
        pl_set_supply_bandgap_sum(p, (uint32_t)v[1]);
        pl_set_supply_bandgap_count(p, (uint16_t)v[2]);
        return 10;
    case 0x41:
        pl_set_get_hello_protocol(p, (uint8_t)v[0]);
        return 1;
    case 0x42:
        return 0;
    case 0x43:
        pl_set_set_output_output(p, (uint8_t)v[0]);
        pl_set_set_output_on(p, (uint8_t)v[1]);
        pl_set_set_output_hold_ms(p, (uint16_t)v[2]);
        return 4;
    case 0x44:
        pl_set_arm_order(p, (uint32_t)v[0]);
        pl_set_arm_weight(p, 0, (uint16_t)v[1]);
        pl_set_arm_weight(p, 1, (uint16_t)v[2]);
        pl_set_arm_weight(p, 2, (uint16_t)v[3]);
        pl_set_arm_weight(p, 3, (uint16_t)v[4]);
        pl_set_arm_bias(p, (int32_t)v[5]);
        pl_set_arm_target(p, (int64_t)v[6]);
        pl_set_arm_guard_ticks(p, (uint32_t)v[7]);
        pl_set_arm_silence_ticks(p, (uint16_t)v[8]);
        pl_set_arm_silence_policy(p, (uint8_t)v[9]);
        return 31;
    case 0x45:
        pl_set_rearm_order(p, (uint32_t)v[0]);
        pl_set_rearm_target(p, (int64_t)v[1]);
        return 12;
    case 0x46:
        pl_set_disarm_order(p, (uint32_t)v[0]);
        return 4;
    case 0x47:
        pl_set_open_order(p, (uint32_t)v[0]);
        return 4;
    case 0x48:
        pl_set_close_order(p, (uint32_t)v[0]);
        return 4;
    case 0x49:
        return 0;
    case 0x4A:
        return 0;
    case 0x4B:
        pl_set_set_frame_frame_ticks(p, (uint16_t)v[0]);
        return 2;
    case 0x4C:
        pl_set_get_log_number(p, (uint16_t)v[0]);
        return 2;
    case 0x4D:
        return 0;
    default: (void)v; (void)p; return -1;
    }
}

/* Returns the number of values, -1 for an unknown type. 64-bit ones keep their bits. */
static int wire_read(uint8_t type, const uint8_t *p, int64_t *v)
{
    switch (type) {
    case 0x01:
        v[0] = (int64_t)pl_get_hello_protocol(p);
        v[1] = (int64_t)pl_get_hello_board(p);
        v[2] = (int64_t)pl_get_hello_firmware(p, 0);
        v[3] = (int64_t)pl_get_hello_firmware(p, 1);
        v[4] = (int64_t)pl_get_hello_firmware(p, 2);
        v[5] = (int64_t)pl_get_hello_light_channels(p);
        v[6] = (int64_t)pl_get_hello_adc_bits(p);
        v[7] = (int64_t)pl_get_hello_capabilities(p);
        v[8] = (int64_t)pl_get_hello_reset_cause(p);
        v[9] = (int64_t)pl_get_hello_boot_id(p);
        v[10] = (int64_t)pl_get_hello_tick(p);
        v[11] = (int64_t)pl_get_hello_tick_hz(p);
        v[12] = (int64_t)pl_get_hello_frame_ticks(p);
        return 13;
    case 0x02:
        v[0] = (int64_t)pl_get_sample_tick(p);
        v[1] = (int64_t)pl_get_sample_inputs(p);
        v[2] = (int64_t)pl_get_sample_outputs(p);
        v[3] = (int64_t)pl_get_sample_latched(p);
        v[4] = (int64_t)pl_get_sample_order_state(p);
        v[5] = (int64_t)pl_get_sample_close_reason(p);
        v[6] = (int64_t)pl_get_sample_events(p);
        v[7] = (int64_t)pl_get_sample_order(p);
        v[8] = (int64_t)pl_get_sample_light_sum(p, 0);
        v[9] = (int64_t)pl_get_sample_light_sum(p, 1);
        v[10] = (int64_t)pl_get_sample_light_sum(p, 2);
        v[11] = (int64_t)pl_get_sample_light_sum(p, 3);
        v[12] = (int64_t)pl_get_sample_light_count(p, 0);
        v[13] = (int64_t)pl_get_sample_light_count(p, 1);
        v[14] = (int64_t)pl_get_sample_light_count(p, 2);
        v[15] = (int64_t)pl_get_sample_light_count(p, 3);
        v[16] = (int64_t)pl_get_sample_light_min(p, 0);
        v[17] = (int64_t)pl_get_sample_light_min(p, 1);
        v[18] = (int64_t)pl_get_sample_light_min(p, 2);
        v[19] = (int64_t)pl_get_sample_light_min(p, 3);
        v[20] = (int64_t)pl_get_sample_light_max(p, 0);
        v[21] = (int64_t)pl_get_sample_light_max(p, 1);
        v[22] = (int64_t)pl_get_sample_light_max(p, 2);
        v[23] = (int64_t)pl_get_sample_light_max(p, 3);
        v[24] = (int64_t)pl_get_sample_vacuum_sum(p);
        v[25] = (int64_t)pl_get_sample_vacuum_count(p);
        v[26] = (int64_t)pl_get_sample_vacuum_min(p);
        v[27] = (int64_t)pl_get_sample_vacuum_max(p);
        v[28] = (int64_t)pl_get_sample_oven_sum(p);
        v[29] = (int64_t)pl_get_sample_oven_count(p);
        v[30] = (int64_t)pl_get_sample_head_sum(p);
        v[31] = (int64_t)pl_get_sample_head_count(p);
        v[32] = (int64_t)pl_get_sample_order_sum(p);
        v[33] = (int64_t)pl_get_sample_order_target(p);
        v[34] = (int64_t)pl_get_sample_rx_bad(p);
        v[35] = (int64_t)pl_get_sample_rx_overrun(p);
        return 36;
    case 0x03:
        v[0] = (int64_t)pl_get_event_number(p);
        v[1] = (int64_t)pl_get_event_code(p);
        v[2] = (int64_t)pl_get_event_arg(p);
        v[3] = (int64_t)pl_get_event_tick(p);
        return 4;
    case 0x04:
        v[0] = (int64_t)pl_get_reply_seq(p);
        v[1] = (int64_t)pl_get_reply_type(p);
        v[2] = (int64_t)pl_get_reply_code(p);
        return 3;
    case 0x05:
        v[0] = (int64_t)pl_get_order_report_order(p);
        v[1] = (int64_t)pl_get_order_report_state(p);
        v[2] = (int64_t)pl_get_order_report_close_reason(p);
        v[3] = (int64_t)pl_get_order_report_boot_id(p);
        v[4] = (int64_t)pl_get_order_report_open_tick(p);
        v[5] = (int64_t)pl_get_order_report_close_tick(p);
        v[6] = (int64_t)pl_get_order_report_order_sum(p);
        v[7] = (int64_t)pl_get_order_report_order_target(p);
        v[8] = (int64_t)pl_get_order_report_open_sum(p, 0);
        v[9] = (int64_t)pl_get_order_report_open_sum(p, 1);
        v[10] = (int64_t)pl_get_order_report_open_sum(p, 2);
        v[11] = (int64_t)pl_get_order_report_open_sum(p, 3);
        v[12] = (int64_t)pl_get_order_report_close_sum(p, 0);
        v[13] = (int64_t)pl_get_order_report_close_sum(p, 1);
        v[14] = (int64_t)pl_get_order_report_close_sum(p, 2);
        v[15] = (int64_t)pl_get_order_report_close_sum(p, 3);
        v[16] = (int64_t)pl_get_order_report_open_count(p, 0);
        v[17] = (int64_t)pl_get_order_report_open_count(p, 1);
        v[18] = (int64_t)pl_get_order_report_open_count(p, 2);
        v[19] = (int64_t)pl_get_order_report_open_count(p, 3);
        v[20] = (int64_t)pl_get_order_report_close_count(p, 0);
        v[21] = (int64_t)pl_get_order_report_close_count(p, 1);
        v[22] = (int64_t)pl_get_order_report_close_count(p, 2);
        v[23] = (int64_t)pl_get_order_report_close_count(p, 3);
        return 24;
    case 0x06:
        v[0] = (int64_t)pl_get_supply_tick(p);
        v[1] = (int64_t)pl_get_supply_bandgap_sum(p);
        v[2] = (int64_t)pl_get_supply_bandgap_count(p);
        return 3;
    case 0x41:
        v[0] = (int64_t)pl_get_get_hello_protocol(p);
        return 1;
    case 0x42:
        return 0;
    case 0x43:
        v[0] = (int64_t)pl_get_set_output_output(p);
        v[1] = (int64_t)pl_get_set_output_on(p);
        v[2] = (int64_t)pl_get_set_output_hold_ms(p);
        return 3;
    case 0x44:
        v[0] = (int64_t)pl_get_arm_order(p);
        v[1] = (int64_t)pl_get_arm_weight(p, 0);
        v[2] = (int64_t)pl_get_arm_weight(p, 1);
        v[3] = (int64_t)pl_get_arm_weight(p, 2);
        v[4] = (int64_t)pl_get_arm_weight(p, 3);
        v[5] = (int64_t)pl_get_arm_bias(p);
        v[6] = (int64_t)pl_get_arm_target(p);
        v[7] = (int64_t)pl_get_arm_guard_ticks(p);
        v[8] = (int64_t)pl_get_arm_silence_ticks(p);
        v[9] = (int64_t)pl_get_arm_silence_policy(p);
        return 10;
    case 0x45:
        v[0] = (int64_t)pl_get_rearm_order(p);
        v[1] = (int64_t)pl_get_rearm_target(p);
        return 2;
    case 0x46:
        v[0] = (int64_t)pl_get_disarm_order(p);
        return 1;
    case 0x47:
        v[0] = (int64_t)pl_get_open_order(p);
        return 1;
    case 0x48:
        v[0] = (int64_t)pl_get_close_order(p);
        return 1;
    case 0x49:
        return 0;
    case 0x4A:
        return 0;
    case 0x4B:
        v[0] = (int64_t)pl_get_set_frame_frame_ticks(p);
        return 1;
    case 0x4C:
        v[0] = (int64_t)pl_get_get_log_number(p);
        return 1;
    case 0x4D:
        return 0;
    default: (void)p; (void)v; return -1;
    }
}

#endif
