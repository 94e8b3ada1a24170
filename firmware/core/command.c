/* What the board does with each message of a host. */
#include <string.h>

#include "board.h"

#define HOLD_FRAMES 5           /* slowing down when permission goes: 100 ms */

/* Why a request was not done. */
typedef struct {
    uint8_t reason;             /* 0: done */
    uint8_t where;
    uint32_t excess;
} outcome;

static const outcome DONE = { 0, 255, 0 };

static outcome refuse(uint8_t reason) { return (outcome){ reason, 255, 0 }; }

static void say_identity(hf_board *b)
{
    uint8_t body[HF_LENGTH_IDENTITY + HF_HEAD];
    hf_msg_identity m = {
        .nonce = b->nonce, .protocol = HF_VERSION, .major = HF_MAJOR, .minor = HF_MINOR, .patch = HF_PATCH,
        .channels = HF_CHANNELS, .queue = HF_QUEUE, .knots = HF_KNOTS, .reset = b->reset_flags,
        .stamp = b->limits.known ? b->limits.bench.stamp : 0, .name = HF_FIRMWARE_NAME,
    };
    hf_send(b, HF_TYPE_IDENTITY, body, hf_write_identity(body + HF_HEAD, &m));
}

static void identify(hf_board *b, const hf_frame *f)
{
    hf_msg_identify m;
    uint8_t where;
    hf_read_identify(f->payload, &m, &where);
    bool known = b->session && m.nonce == b->nonce;
    if (known && !hf_is_newer(f->sequence, b->last_sequence)) {
        hf_count(&b->counters.old_sequence);
        return;
    }
    if (m.protocol != HF_VERSION || (!known && b->relay)) {
        hf_send_nack(b, f->sequence, f->type, m.protocol != HF_VERSION ? HF_REASON_VERSION : HF_REASON_BUSY, 255, 0);
        return;
    }
    b->last_sequence = f->sequence;
    b->counters.good++;
    if (!known) {
        b->session = true;
        b->nonce = m.nonce;
        b->next_sequence = 0;
        b->permission = b->streaming = false;
        if (b->state == HF_STATE_WAITING) b->state = HF_STATE_READY;
    }
    say_identity(b);
}

static void say_clock(hf_board *b, const hf_msg_clock_ask *m, uint32_t heard_us)
{
    uint8_t body[HF_LENGTH_CLOCK_TELL + HF_HEAD];
    hf_msg_clock_tell t = { .token = m->token, .heard_us = heard_us, .told_us = hf_port_now() };
    hf_send(b, HF_TYPE_CLOCK_TELL, body, hf_write_clock_tell(body + HF_HEAD, &t));
}

static void say_counters(hf_board *b)
{
    uint8_t body[HF_LENGTH_COUNTERS + HF_HEAD];
    b->counters.stack_free = hf_port_stack_free();
    hf_send(b, HF_TYPE_COUNTERS, body, hf_write_counters(body + HF_HEAD, &b->counters));
}

static void say_stored(hf_board *b)
{
    uint8_t body[HF_LENGTH_STORED + HF_HEAD];
    const hf_store_head *h = &b->store.head;
    hf_msg_stored m = { .valid = b->store.valid, .knots = h->knots, .mask = h->mask, .crc = h->crc,
                        .frames = h->frames, .stamp = h->stamp };
    hf_send(b, HF_TYPE_STORED, body, hf_write_stored(body + HF_HEAD, &m));
}

static void take_heartbeat(hf_board *b, const hf_msg_heartbeat *m)
{
    bool had = b->permission;
    b->heartbeat_us = hf_port_now();
    b->permission = m->permission;
    if (!had || b->permission || !b->relay) return;
    if (b->state == HF_STATE_PLAYING) hf_stop(b, HF_CAUSE_PEDAL_RELEASED, false);
    if (b->state != HF_STATE_LIVE) return;
    bool moving = b->path.count || hf_any_channel(b, HF_CHANNEL_ATTACHING) || hf_any_channel(b, HF_CHANNEL_FEELING);
    if (moving) hf_slow_down(b, HOLD_FRAMES);
    hf_send_event(b, HF_EVENT_PERMISSION_LOST, 255, 0);
}

static outcome set_bench(hf_board *b, const hf_msg_bench *m)
{
    if (b->state != HF_STATE_READY) return refuse(HF_REASON_STATE);
    hf_limits_set_bench(&b->limits, m);
    return DONE;
}

static outcome set_channel(hf_board *b, const hf_msg_channel *m)
{
    outcome o = { 0, 255, 0 };
    if (b->state != HF_STATE_READY) return refuse(HF_REASON_STATE);
    if (!b->limits.known) return refuse(HF_REASON_NO_LIMITS);
    if (hf_limits_set_channel(&b->limits, m, &o.where) != HF_OK) o.reason = HF_REASON_ORDER;
    return o;
}

static outcome set_table(hf_board *b, const hf_msg_table *m)
{
    outcome o = { 0, 255, 0 };
    if (b->state != HF_STATE_READY) return refuse(HF_REASON_STATE);
    if (!b->limits.channel[m->channel].known) return (outcome){ HF_REASON_NO_LIMITS, m->channel, 0 };
    if (hf_limits_set_table(&b->limits, m, &o.where) != HF_OK) o.reason = HF_REASON_ORDER;
    return o;
}

static outcome set_power(hf_board *b, const hf_msg_power *m)
{
    if (!m->on) {
        if (b->state == HF_STATE_STOPPED || b->state == HF_STATE_STOPPING) return refuse(HF_REASON_STATE);
        if (b->relay) hf_cut(b, HF_STATE_READY, HF_CAUSE_HOST_POWER_OFF);
        return DONE;
    }
    if (b->state != HF_STATE_READY) return refuse(HF_REASON_STATE);
    if (!b->limits.known) return refuse(HF_REASON_NO_LIMITS);
    for (uint8_t i = 0; i <= HF_CHANNELS; i++)
        if (!hf_limits_intact(&b->limits, i)) return refuse(HF_REASON_NO_LIMITS);
    if (b->stop_open) return refuse(HF_REASON_STOP_INPUT);
    if (b->line_broken) return refuse(HF_REASON_STATE);
    b->heartbeat_us = hf_port_now();
    hf_power_on(b, HF_STATE_SETTLING);
    return DONE;
}

static outcome attach(hf_board *b, const hf_msg_attach *m)
{
    outcome o = { 0, m->channel, 0 };
    uint16_t excess;
    if (b->state != HF_STATE_LIVE) return refuse(HF_REASON_STATE);
    if (!b->permission) return refuse(HF_REASON_NO_PERMISSION);
    o.reason = hf_attach_channel(b, m->channel, m->pulse, m->ramp, &excess);
    o.excess = excess;
    return o;
}

static outcome feel(hf_board *b, const hf_msg_feel *m)
{
    const hf_channel_limits *c = &b->limits.channel[m->channel];
    hf_servo *s = &b->servo[m->channel];
    if (b->state != HF_STATE_LIVE) return refuse(HF_REASON_STATE);
    if (!b->permission) return refuse(HF_REASON_NO_PERMISSION);
    if (!c->known) return (outcome){ HF_REASON_NO_LIMITS, m->channel, 0 };
    if (b->channel[m->channel] != HF_CHANNEL_OFF || b->path.count || hf_any_channel(b, HF_CHANNEL_ATTACHING) ||
        hf_any_channel(b, HF_CHANNEL_FEELING) || b->rate_step)
        return (outcome){ HF_REASON_BUSY, m->channel, 0 };
    uint16_t wiper = b->reading[m->channel];
    if (wiper < c->wiper_low || wiper > c->wiper_high) return (outcome){ HF_REASON_OUTSIDE_WINDOW, m->channel, 0 };
    uint16_t inside = hf_limits_clamp(c, m->pulse);
    if (inside != m->pulse)
        return (outcome){ HF_REASON_OUTSIDE_TRAVEL, m->channel,
                          (uint32_t)(inside > m->pulse ? inside - m->pulse : m->pulse - inside) };
    memset(s, 0, sizeof *s);
    s->every = m->every;
    s->left = m->pulses;
    s->allowed = m->allowed;
    s->began = wiper;
    b->command[m->channel] = b->next[m->channel] = m->pulse;
    b->channel[m->channel] = HF_CHANNEL_FEELING;
    return DONE;
}

static outcome detach(hf_board *b, const hf_msg_detach *m)
{
    if (b->state != HF_STATE_LIVE) return refuse(HF_REASON_STATE);
    for (uint8_t i = 0; i < HF_CHANNELS; i++)
        if (m->mask >> i & 1) b->channel[i] = HF_CHANNEL_OFF;
    hf_plan(b);
    return DONE;
}

static outcome take_target(hf_board *b, const hf_msg_target *m)
{
    outcome o = { 0, 255, 0 };
    if (b->state != HF_STATE_LIVE) return refuse(HF_REASON_STATE);
    if (!b->permission) return refuse(HF_REASON_NO_PERMISSION);
    o.reason = hf_add_target(b, m->at_us, m->pulse, &o.where, &o.excess);
    return o;
}

static outcome clear(hf_board *b, const hf_msg_clear *m)
{
    if (b->state != HF_STATE_STOPPED) return refuse(HF_REASON_STATE);
    if (m->cause != b->cause) return (outcome){ HF_REASON_RANGE, 0, 0 };
    if (b->stop_open) return refuse(HF_REASON_STOP_INPUT);
    if (b->line_broken) return refuse(HF_REASON_STATE);
    hf_enter(b, HF_STATE_READY, HF_CAUSE_NONE);
    return DONE;
}

static outcome hold(hf_board *b)
{
    if (b->state != HF_STATE_LIVE) return refuse(HF_REASON_STATE);
    hf_slow_down(b, HOLD_FRAMES);
    return DONE;
}

/* The jobs of the store are acknowledged when they are done, by hf_store_work. */
static outcome store(hf_board *b, const hf_frame *f, bool *later)
{
    outcome o = { 0, 255, 0 };
    union { hf_msg_store_begin begin; hf_msg_store_knot knot; } m;
    if (b->state != HF_STATE_READY) return refuse(HF_REASON_STATE);
    if (b->store.job != HF_STORE_NOTHING) return refuse(HF_REASON_BUSY);
    switch (f->type) {
    case HF_TYPE_STORE_BEGIN:
        hf_read_store_begin(f->payload, &m.begin, &o.where);
        o.where = 255;
        o.reason = hf_store_begin(b, &m.begin, &o.where, &o.excess);
        break;
    case HF_TYPE_STORE_KNOT:
        hf_read_store_knot(f->payload, &m.knot, &o.where);
        o.where = 255;
        o.reason = hf_store_knot(b, &m.knot, &o.where, &o.excess);
        break;
    case HF_TYPE_STORE_COMMIT: o.reason = hf_store_commit(b, &o.excess); break;
    default: o.reason = hf_store_erase(b);
    }
    if (!o.reason) {
        b->store.of = f->sequence;
        b->store.what = f->type;
        *later = true;
    }
    return o;
}

#define TAKE(name, action)                          \
    {                                               \
        hf_msg_##name m;                            \
        hf_read_##name(f->payload, &m, &where);     \
        return action;                              \
    }

/* Carries out a frame whose fields are in range. `quiet`: no ack is due. */
static outcome carry_out(hf_board *b, const hf_frame *f, uint32_t heard_us, bool *quiet)
{
    uint8_t where;
    switch (f->type) {
    case HF_TYPE_STOP:
        *quiet = true;
        hf_stop(b, HF_CAUSE_HOST_STOP, false);
        return DONE;
    case HF_TYPE_HEARTBEAT: *quiet = true; TAKE(heartbeat, (take_heartbeat(b, &m), DONE))
    case HF_TYPE_TARGET: *quiet = true; TAKE(target, take_target(b, &m))
    case HF_TYPE_CLOCK_ASK: *quiet = true; TAKE(clock_ask, (say_clock(b, &m, heard_us), DONE))
    case HF_TYPE_COUNTERS_ASK: *quiet = true; say_counters(b); return DONE;
    case HF_TYPE_STORE_ASK: *quiet = true; say_stored(b); return DONE;
    case HF_TYPE_DETACH: TAKE(detach, detach(b, &m))
    case HF_TYPE_BENCH: TAKE(bench, set_bench(b, &m))
    case HF_TYPE_CHANNEL: TAKE(channel, set_channel(b, &m))
    case HF_TYPE_TABLE: TAKE(table, set_table(b, &m))
    case HF_TYPE_POWER: TAKE(power, set_power(b, &m))
    case HF_TYPE_ATTACH: TAKE(attach, attach(b, &m))
    case HF_TYPE_FEEL: TAKE(feel, feel(b, &m))
    case HF_TYPE_CLEAR: TAKE(clear, clear(b, &m))
    case HF_TYPE_STREAM: TAKE(stream, (b->streaming = m.on, DONE))
    case HF_TYPE_LAMP: TAKE(lamp, (b->lamp = m.level, hf_port_lamp(m.level), DONE))
    case HF_TYPE_CUE: TAKE(cue, (hf_cues_start(b, m.cue), DONE))
    case HF_TYPE_HOLD: return hold(b);
    case HF_TYPE_STORE_RUN: return refuse(hf_play_start(b, true));
    default: return store(b, f, quiet);
    }
}

void hf_board_command(hf_board *b, const hf_frame *f, uint32_t heard_us)
{
    uint8_t where = 255;
    bool quiet = false;
    if (f->type == HF_TYPE_IDENTIFY) {
        identify(b, f);
        return;
    }
    if (!b->session) {
        if (f->type == HF_TYPE_STOP) hf_stop(b, HF_CAUSE_HOST_STOP, false);
        hf_send_nack(b, f->sequence, f->type, HF_REASON_STATE, 255, 0);
        return;
    }
    if (!hf_is_newer(f->sequence, b->last_sequence)) {
        hf_count(&b->counters.old_sequence);
        if (f->type == HF_TYPE_STOP) hf_stop(b, HF_CAUSE_HOST_STOP, false);
        return;
    }
    b->last_sequence = f->sequence;
    if (!hf_in_range(f->type, f->payload, &where)) {
        hf_send_nack(b, f->sequence, f->type, HF_REASON_RANGE, where, 0);
        return;
    }
    b->counters.good++;
    outcome o = carry_out(b, f, heard_us, &quiet);
    if (o.reason) hf_send_nack(b, f->sequence, f->type, o.reason, o.where, o.excess);
    else if (!quiet) hf_send_ack(b, f->sequence, f->type);
}
