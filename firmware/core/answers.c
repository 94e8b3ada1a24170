/* What the board says. */
#include <string.h>

#include "board.h"

void hf_count(uint16_t *counter)
{
    if (*counter < 65535) (*counter)++;
}

/* `body` holds the payload from its 4th byte on and has room for a CRC. */
void hf_send(hf_board *b, uint8_t type, uint8_t *body, uint8_t length)
{
    uint8_t wire[HF_LONGEST_WIRE];
    uint8_t count = hf_seal(body, type, b->next_sequence, length, wire);
    if (hf_port_send(wire, count)) b->next_sequence++;
    else hf_count(&b->counters.dropped);
}

void hf_send_event(hf_board *b, uint8_t kind, uint8_t where, uint16_t value)
{
    uint8_t body[HF_LENGTH_EVENT + HF_HEAD];
    hf_msg_event m = { .board_us = hf_port_now(), .kind = kind, .where = where, .value = value };
    if (b->session) hf_send(b, HF_TYPE_EVENT, body, hf_write_event(body + HF_HEAD, &m));
}

void hf_send_ack(hf_board *b, uint8_t of, uint8_t what)
{
    uint8_t body[HF_LENGTH_ACK + HF_HEAD];
    hf_msg_ack m = { .of = of, .what = what };
    hf_send(b, HF_TYPE_ACK, body, hf_write_ack(body + HF_HEAD, &m));
}

void hf_send_nack(hf_board *b, uint8_t of, uint8_t what, uint8_t reason, uint8_t where, uint32_t excess)
{
    uint8_t body[HF_LENGTH_NACK + HF_HEAD];
    hf_msg_nack m = { .of = of, .what = what, .reason = reason, .where = where,
                      .excess = (uint16_t)(excess > 65535 ? 65535 : excess) };
    hf_count(&b->counters.refused);
    hf_send(b, HF_TYPE_NACK, body, hf_write_nack(body + HF_HEAD, &m));
}

static uint8_t flags_of(const hf_board *b)
{
    bool limits = false;
    for (uint8_t i = 0; i < HF_CHANNELS; i++) limits = limits || b->limits.channel[i].known;
    uint8_t flags = 0;
    if (b->relay) flags |= 1;
    if (b->permission) flags |= 2;
    if (b->pedal) flags |= 4;
    if (b->stop_open) flags |= 8;
    if (b->relay && !hf_settling(b)) flags |= 16;
    if (b->path.count) flags |= 32;
    if (b->store.valid) flags |= 64;
    if (b->limits.known && limits) flags |= 128;
    return flags;
}

void hf_send_status(hf_board *b)
{
    uint8_t body[HF_LENGTH_STATUS + HF_HEAD];
    hf_msg_status m = {
        .board_us = b->frame_us, .state = b->state, .cause = b->cause, .flags = flags_of(b),
        .supply_mV = b->supply_mV, .current_mA = { b->current_mA[0], b->current_mA[1] },
        .top = b->reading[HF_IN_TOP], .worst = b->worst, .error = b->worst_error,
        .queue = b->path.count, .knot = b->play.played,
    };
    memcpy(m.channel, b->channel, sizeof m.channel);
    memcpy(m.wiper, b->wiper, sizeof m.wiper);
    memcpy(m.pulse, b->given, sizeof m.pulse);
    hf_send(b, HF_TYPE_STATUS, body, hf_write_status(body + HF_HEAD, &m));
}
