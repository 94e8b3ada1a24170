/* Readings, and what is seen in them: steadiness, brown-out, open wipers, servos that do not follow. */
#include <string.h>

#include "board.h"

#define STEADY_US 300000UL
#define SETTLE_LIMIT_US 5000000UL
#define STEADY_WIPER 160         /* counts/16: one per cent of the range */
#define LOW_FRAMES 3
#define OPEN_FRAMES 5            /* 100 ms */
#define NEARER 16                /* counts/16 that count as having come nearer */

static uint16_t scaled(uint16_t counts16, uint16_t full) { return (uint16_t)((uint32_t)counts16 * full / 16368); }

static uint16_t difference(uint16_t a, uint16_t b) { return a > b ? a - b : b - a; }

bool hf_settling(const hf_board *b) { return b->state == HF_STATE_SETTLING || b->play.phase == HF_PLAY_SETTLE; }

/* True once supply and wipers have kept still for STEADY_US. */
bool hf_settled(hf_board *b)
{
    uint32_t now = hf_port_now();
    bool still = difference(b->supply_mV, b->steady[HF_CHANNELS]) <= b->steady[HF_CHANNELS] / 100 &&
                 b->supply_mV >= b->limits.bench.brown_out_mV;
    for (uint8_t i = 0; i < HF_CHANNELS; i++)
        if (b->limits.channel[i].known && difference(b->wiper[i], b->steady[i]) > STEADY_WIPER) still = false;
    if (!still) {
        memcpy(b->steady, b->wiper, sizeof b->wiper);
        b->steady[HF_CHANNELS] = b->supply_mV;
        b->steady_us = now;
    }
    if (now - b->steady_us >= STEADY_US) return true;
    if (now - b->state_us >= SETTLE_LIMIT_US) {
        bool low = b->supply_mV < b->limits.bench.brown_out_mV ||
                   difference(b->supply_mV, b->steady[HF_CHANNELS]) > b->steady[HF_CHANNELS] / 100;
        hf_stop(b, low ? HF_CAUSE_BROWN_OUT : HF_CAUSE_WIPER_OPEN, true);
    }
    return false;
}

static void watch_supply(hf_board *b)
{
    if (b->supply_mV >= b->limits.bench.brown_out_mV) {
        b->low_frames = 0;
        return;
    }
    /* Without supply no servo can be slowed down: cut, also in the middle of another stop. */
    if (++b->low_frames >= LOW_FRAMES) hf_stop(b, HF_CAUSE_BROWN_OUT, true);
}

static void watch_following(hf_board *b, uint8_t i)
{
    const hf_channel_limits *c = &b->limits.channel[i];
    hf_servo *s = &b->servo[i];
    int16_t error = (int16_t)(b->wiper[i] - hf_limits_expected(c, b->command[i]));
    uint16_t miss = (uint16_t)(error < 0 ? -error : error);
    if (miss > (uint16_t)(b->worst_error < 0 ? -b->worst_error : b->worst_error)) {
        b->worst = i;
        b->worst_error = error;
    }
    if (!c->follow || miss <= c->follow) {
        s->late_ms = 0;
        s->best = 0;
        return;
    }
    if (!s->best || miss + NEARER <= s->best) {
        s->best = miss;
        s->late_ms = 0;
    } else {
        s->late_ms = (uint16_t)(s->late_ms + HF_FRAME_US / 1000);
    }
    if (s->late_ms >= c->follow_ms) hf_stop(b, HF_CAUSE_DOES_NOT_FOLLOW, false);
}

static void watch_window(hf_board *b, uint8_t i)
{
    const hf_channel_limits *c = &b->limits.channel[i];
    hf_servo *s = &b->servo[i];
    bool open = b->wiper[i] < c->wiper_low || b->wiper[i] > c->wiper_high;
    s->open_frames = open ? (uint8_t)(s->open_frames + 1) : 0;
    if (s->open_frames < OPEN_FRAMES) return;
    s->open_frames = 0;
    hf_stop(b, HF_CAUSE_WIPER_OPEN, false);
}

static void watch_feeling(hf_board *b, uint8_t i)
{
    hf_servo *s = &b->servo[i];
    uint16_t moved = difference(b->reading[i], s->began);
    if (moved > s->allowed) {
        b->channel[i] = HF_CHANNEL_OFF;
        hf_plan(b);
        hf_send_event(b, HF_EVENT_FELT, i, 0);
        hf_send_event(b, HF_EVENT_WIPER_MOVED, i, moved);
        return;
    }
    if (s->left || s->after++ < s->every) return;
    b->channel[i] = HF_CHANNEL_ATTACHED;
    hf_path_place(&b->path, i, b->command[i]);
    hf_send_event(b, HF_EVENT_FELT, i, 1);
}

/* Once per frame. */
void hf_watch(hf_board *b)
{
    b->worst = 0;
    b->worst_error = 0;
    if (!b->relay || hf_settling(b)) return;
    if (!hf_limits_intact(&b->limits, b->checking)) hf_stop(b, HF_CAUSE_BAD_LIMIT, true);
    b->checking = (uint8_t)(b->checking + 1) % (HF_CHANNELS + 1);
    watch_supply(b);
    for (uint8_t i = 0; i < HF_CHANNELS && b->relay; i++) {
        uint8_t how = b->channel[i];
        bool pulses = how == HF_CHANNEL_ATTACHED || how == HF_CHANNEL_ATTACHING;
        if (how == HF_CHANNEL_FEELING) watch_feeling(b, i);
        if (!pulses) continue;
        watch_window(b, i);
        if (b->limits.channel[i].points && b->relay) watch_following(b, i);
    }
}

static void send_wipers(hf_board *b, uint32_t middle_us)
{
    uint8_t body[HF_LENGTH_WIPERS + HF_HEAD];
    hf_msg_wipers m = { .board_us = middle_us, .pedal = b->pedal };
    memcpy(m.wiper, b->reading, sizeof m.wiper);
    hf_send(b, HF_TYPE_WIPERS, body, hf_write_wipers(body + HF_HEAD, &m));
}

void hf_board_readings(hf_board *b, uint8_t round, const uint16_t *counts16, uint32_t middle_us)
{
    memcpy(b->reading, counts16, sizeof b->reading);
    if (b->session && b->streaming) send_wipers(b, middle_us);
    if (!round) {
        memcpy(b->half, counts16, sizeof b->half);
        return;
    }
    const hf_msg_bench *bench = &b->limits.bench;
    uint16_t current_full = b->limits.known ? bench->current_full_mA : 50000;
    for (uint8_t i = 0; i < HF_CHANNELS; i++) b->wiper[i] = (uint16_t)((b->half[i] + counts16[i] + 1) / 2);
    b->supply_mV = scaled(counts16[HF_IN_SUPPLY], b->limits.known ? bench->supply_full_mV : 10000);
    b->current_mA[0] = scaled(counts16[HF_IN_LEFT], current_full);
    b->current_mA[1] = scaled(counts16[HF_IN_RIGHT], current_full);
    hf_watch(b);
    if (b->session) hf_send_status(b);
}
