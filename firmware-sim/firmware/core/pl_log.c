/* The event log: the last PL_LOG_LENGTH edges, sent once by themselves and again on request. */
#include "pl_core.h"

/* Numbers run 1..65535 and then again from 1. */
static uint16_t following(uint16_t number)
{
    return number == 0xFFFFu ? 1u : (uint16_t)(number + 1u);
}

static uint16_t back(uint16_t number, uint16_t steps)
{
    return number > steps ? (uint16_t)(number - steps) : (uint16_t)(number - steps - 1u);
}

/* Steps from `number` on to `newest`. */
static uint16_t distance(uint16_t number, uint16_t newest)
{
    return newest >= number ? (uint16_t)(newest - number) : (uint16_t)(newest - number - 1u);
}

static pl_event *slot(pl_log *log, uint16_t number)
{
    return &log->entry[(uint16_t)(number - 1u) & (PL_LOG_LENGTH - 1u)];
}

void pl_log_add(pl_core *pl, uint8_t code, uint8_t arg)
{
    pl_log *log = &pl->log;
    log->newest = following(log->newest);
    *slot(log, log->newest) = (pl_event){pl->tick, log->newest, code, arg};
}

/* Sends the event of that number; false when it is kept no more. */
static bool send(pl_core *pl, uint16_t number)
{
    uint8_t before = pl_board_lock();
    pl_event event = *slot(&pl->log, number);
    pl_board_unlock(before);
    if (event.code == 0 || event.number != number)
        return false;
    pl_send_event(pl, &event);
    return true;
}

static void send_new(pl_core *pl)
{
    pl_log *log = &pl->log;
    uint8_t before = pl_board_lock();
    uint16_t newest = log->newest;
    pl_board_unlock(before);
    if (distance(log->sent, newest) > PL_LOG_LENGTH)
        log->sent = back(newest, PL_LOG_LENGTH);
    while (log->sent != newest && pl_link_fits(&pl->link, PL_WIRE_BYTES(PL_EVENT_SIZE))) {
        log->sent = following(log->sent);
        send(pl, log->sent);
    }
}

static void send_replay(pl_core *pl)
{
    pl_log *log = &pl->log;
    while (pl_link_fits(&pl->link, PL_WIRE_BYTES(PL_EVENT_SIZE))) {
        if (log->replay_left == 0) {
            log->replaying = false;
            pl_send_reply(pl, log->replay_seq, PL_GET_LOG, PL_REPLY_CODE_OK);
            return;
        }
        log->replay_left--;
        send(pl, back(log->replay_from, log->replay_left));
    }
}

void pl_log_send(pl_core *pl)
{
    send_new(pl);
    if (pl->log.replaying)
        send_replay(pl);
}

void pl_log_replay(pl_core *pl, uint16_t from, uint16_t seq)
{
    pl_log *log = &pl->log;
    uint8_t before = pl_board_lock();
    log->replay_from = log->newest;
    pl_board_unlock(before);
    uint16_t steps = distance(from, log->replay_from);
    if (from == 0 || steps < PL_LOG_LENGTH)
        log->replay_left = from == 0 ? PL_LOG_LENGTH : (uint8_t)(steps + 1u);
    else /* older than all that is kept, or not yet happened */
        log->replay_left = steps < 0x8000u ? PL_LOG_LENGTH : 0;
    log->replay_seq = seq;
    log->replaying = true;
}
