/* A device on the bench: its own board, a host's end of the line, and a clock that is a count. */
#include "rig.h"

#include <string.h>

rig_t rig;

void pl_board_outputs(pl_core *pl, uint8_t mask)
{
    (void)pl;
    rig.pins = mask;
    rig.pin_writes++;
}

uint8_t pl_board_lock(void)
{
    if (rig.locks != 0)
        rig.locks = 1000; /* nested: rig_poll finds it */
    rig.locks++;
    return 0x5A;
}

void pl_board_unlock(uint8_t before)
{
    if (before != 0x5A)
        rig.locks = 1000;
    rig.locks--;
    if (rig.interrupts)
        pl_sample_tick(&rig.core, rig.analog, rig.inputs);
}

static void end_frame(void)
{
    uint8_t data[512];
    uint16_t size = 0;
    pl_cobs cobs = {0, false, false};
    uint16_t crc = PL_CRC_START;
    for (uint16_t i = 0; i < rig.partial_size; i++) {
        int16_t got = pl_cobs_decode(&cobs, rig.partial[i]);
        if (got >= 0) {
            data[size++] = (uint8_t)got;
            crc = pl_crc(crc, (uint8_t)got);
        } else {
            CHECK_EQ(got, i + 1 == rig.partial_size ? PL_COBS_END : PL_COBS_NOTHING);
        }
    }
    rig.partial_size = 0;
    CHECK_EQ(crc, 0); /* never half a frame, never a spoiled one */
    CHECK(size >= PL_FRAME_OVERHEAD && rig.frames < RIG_FRAMES);
    rig_frame *frame = &rig.frame[rig.frames++];
    frame->type = data[0];
    frame->seq = pl_load16(data + 1);
    frame->size = (uint8_t)(size - PL_FRAME_OVERHEAD);
    memcpy(frame->payload, data + PL_HEADER, frame->size);
}

static void drain(void)
{
    int16_t byte;
    while (!rig.line_stands && (byte = pl_tx_byte(&rig.core.link)) >= 0) {
        CHECK(rig.partial_size < sizeof rig.partial);
        rig.partial[rig.partial_size++] = (uint8_t)byte;
        if (byte == 0)
            end_frame();
    }
}

void rig_poll(void)
{
    pl_poll(&rig.core);
    CHECK_EQ(rig.locks, 0);
    drain();
}

void rig_forget(void)
{
    rig.frames = 0;
}

void rig_power_on_with(const pl_config *config)
{
    memset(&rig, 0, sizeof rig);
    memset(&rig.core, 0xA5, sizeof rig.core); /* memory holds anything at start */
    rig.pins = 0xFF;
    rig.inputs = PL_INPUT_INTERLOCK_CLOSED | PL_INPUT_STOP_RELEASED;
    pl_start(&rig.core, config);
    rig_poll();
}

void rig_power_on(void)
{
    const pl_config config = {PL_BOARD_HOST, 4, 10, 15, PL_RESET_CAUSE_POWER_ON, 77, 0};
    rig_power_on_with(&config);
}

void rig_ready(void)
{
    rig_power_on();
    rig_ticks(PL_DEBOUNCE_TICKS);
    rig_heartbeat();
    rig_forget();
}

void rig_ticks(uint32_t n)
{
    while (n--) {
        pl_sample_tick(&rig.core, rig.analog, rig.inputs);
        rig_poll();
    }
}

void rig_bytes(const uint8_t *data, uint16_t size)
{
    for (uint16_t i = 0; i < size; i++)
        pl_rx_byte(&rig.core.link, data[i]);
}

uint16_t rig_encode(uint8_t type, uint16_t seq, const uint8_t *payload, uint8_t size,
                    uint8_t *wire)
{
    uint8_t data[PL_HEADER + 255 + 2] = {type, (uint8_t)seq, (uint8_t)(seq >> 8)};
    if (size)
        memcpy(data + PL_HEADER, payload, size);
    uint16_t crc = PL_CRC_START;
    for (uint16_t i = 0; i < PL_HEADER + size; i++)
        crc = pl_crc(crc, data[i]);
    data[PL_HEADER + size] = (uint8_t)(crc >> 8);
    data[PL_HEADER + size + 1] = (uint8_t)crc;
    return pl_cobs_encode(data, (uint16_t)(PL_HEADER + size + 2u), wire, 0, 0xFFFF);
}

int rig_command(uint8_t type, const uint8_t *payload, uint8_t size)
{
    uint8_t wire[300];
    uint16_t seq = rig.seq++;
    int frames = rig.frames;
    uint16_t wire_size = rig_encode(type, seq, payload, size, wire);
    for (uint16_t at = 0; at < wire_size; at = (uint16_t)(at + 32u)) { /* the ring is short */
        rig_bytes(wire + at, (uint16_t)(wire_size - at < 32 ? wire_size - at : 32));
        rig_poll();
    }
    for (int i = frames; i < rig.frames; i++)
        if (rig.frame[i].type == PL_REPLY) {
            CHECK_EQ(pl_get_reply_seq(rig.frame[i].payload), seq);
            CHECK_EQ(pl_get_reply_type(rig.frame[i].payload), type);
            return pl_get_reply_code(rig.frame[i].payload);
        }
    return -1;
}

void rig_heartbeat(void)
{
    CHECK_EQ(rig_command(PL_HEARTBEAT, NULL, 0), -1);
}

rig_order rig_plain(void)
{
    return (rig_order){1, {1, 0, 0, 0}, 0, 1000000000, 100000, 60000, PL_SILENCE_POLICY_CLOSE};
}

int rig_arm(rig_order order)
{
    uint8_t p[PL_ARM_SIZE];
    pl_set_arm_order(p, order.order);
    for (uint8_t i = 0; i < 4; i++)
        pl_set_arm_weight(p, i, order.weight[i]);
    pl_set_arm_bias(p, order.bias);
    pl_set_arm_target(p, order.target);
    pl_set_arm_guard_ticks(p, order.guard_ticks);
    pl_set_arm_silence_ticks(p, order.silence_ticks);
    pl_set_arm_silence_policy(p, order.silence_policy);
    return rig_command(PL_ARM, p, sizeof p);
}

int rig_u32(uint8_t type, uint32_t value)
{
    uint8_t p[4];
    pl_store32(p, value);
    return rig_command(type, p, sizeof p);
}

int rig_rearm(uint32_t order, int64_t target)
{
    uint8_t p[PL_REARM_SIZE];
    pl_set_rearm_order(p, order);
    pl_set_rearm_target(p, target);
    return rig_command(PL_REARM, p, sizeof p);
}

int rig_set_output(uint8_t output, uint8_t on, uint16_t hold_ms)
{
    uint8_t p[PL_SET_OUTPUT_SIZE];
    pl_set_set_output_output(p, output);
    pl_set_set_output_on(p, on);
    pl_set_set_output_hold_ms(p, hold_ms);
    return rig_command(PL_SET_OUTPUT, p, sizeof p);
}

void rig_open(rig_order order)
{
    CHECK_EQ(rig_arm(order), PL_REPLY_CODE_OK);
    CHECK_EQ(rig_u32(PL_OPEN, order.order), PL_REPLY_CODE_OK);
    CHECK(!LAMP_ON);
    rig_ticks(1);
    CHECK(LAMP_ON);
}

const rig_frame *rig_last(uint8_t type)
{
    for (int i = rig.frames; i-- > 0;)
        if (rig.frame[i].type == type)
            return &rig.frame[i];
    return NULL;
}

int rig_count(uint8_t type)
{
    int n = 0;
    for (int i = 0; i < rig.frames; i++)
        n += rig.frame[i].type == type;
    return n;
}

static const uint8_t *last_event(uint8_t code)
{
    for (int i = rig.frames; i-- > 0;)
        if (rig.frame[i].type == PL_EVENT && pl_get_event_code(rig.frame[i].payload) == code)
            return rig.frame[i].payload;
    CHECK(!"an event of that code was sent");
    return NULL;
}

int rig_events(uint8_t code)
{
    int n = 0;
    for (int i = 0; i < rig.frames; i++)
        n += rig.frame[i].type == PL_EVENT && pl_get_event_code(rig.frame[i].payload) == code;
    return n;
}

uint32_t rig_event_tick(uint8_t code)
{
    return pl_get_event_tick(last_event(code));
}

uint8_t rig_event_arg(uint8_t code)
{
    return pl_get_event_arg(last_event(code));
}

const uint8_t *rig_report(void)
{
    CHECK_EQ(rig_command(PL_GET_ORDER, NULL, 0), PL_REPLY_CODE_OK);
    return rig_last(PL_ORDER_REPORT)->payload;
}
