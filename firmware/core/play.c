/* The stored routine, run by the pedal without a host, or by a host's request. */
#include <string.h>

#include "board.h"

#define FRAME ((uint32_t)HF_FRAME_US)
#define HELD_US 1000000UL        /* the pedal is held this long before anything starts */
#define RELEASED_US 50000UL      /* seen released for this long, it may be pressed */
#define AHEAD 4                  /* knots kept waiting */

static bool without_host(const hf_board *b) { return !b->session; }

uint8_t hf_play_start(hf_board *b, bool by_host)
{
    hf_play *p = &b->play;
    if (by_host && b->state != HF_STATE_READY) return HF_REASON_STATE;
    if (!b->store.valid || b->store.job != HF_STORE_NOTHING) return HF_REASON_MISSING_KNOT;
    if (b->stop_open) return HF_REASON_STOP_INPUT;
    if (by_host && !b->permission) return HF_REASON_NO_PERMISSION;
    if (!hf_store_read_limits(b)) return HF_REASON_CHECK_FAILED;
    p->phase = HF_PLAY_SETTLE;
    p->by_host = by_host;
    p->channel = 0;
    p->lap = 0;
    p->knot = p->played = 0;
    b->heartbeat_us = hf_port_now();
    hf_power_on(b, HF_STATE_PLAYING);
    return 0;
}

/* Each channel holds where it is found; when all do, they go to the first knot together. */
static void attach_next(hf_board *b)
{
    hf_play *p = &b->play;
    uint16_t excess;
    if (hf_any_channel(b, HF_CHANNEL_ATTACHING)) return;
    while (p->channel < HF_CHANNELS && !(b->store.head.mask >> p->channel & 1)) p->channel++;
    if (p->channel == HF_CHANNELS) {
        p->phase = HF_PLAY_RUN;
        p->knot = 0;
        p->at_us = b->frame_us + 2 * FRAME;
        p->frames_left = 0;
        memcpy(p->before, b->command, sizeof p->before);
        return;
    }
    uint8_t reason = hf_attach_channel(b, p->channel, 0, b->store.head.ramp, &excess);
    if (reason == HF_REASON_BUSY) return;
    if (reason) hf_stop(b, HF_CAUSE_WIPER_OPEN, false);
    else p->channel++;
}

/* Frames that it takes to come to the first knot, from where the arms were found or for another lap. */
static uint16_t frames_back(const hf_board *b, const hf_msg_store_knot *first)
{
    uint16_t most = 1;
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        uint16_t a = b->play.before[i], z = first->pulse[i];
        if (!z) continue;
        uint16_t way = a > z ? a - z : z - a;
        uint16_t ramp = b->store.head.ramp < b->limits.channel[i].slew ? b->store.head.ramp : b->limits.channel[i].slew;
        uint16_t frames = (uint16_t)((way + ramp - 1) / ramp);
        if (frames > most) most = frames;
    }
    return most;
}

/* Puts the next piece of the way into the path, at most two seconds long, so that none lies beyond the horizon. */
static void feed(hf_board *b)
{
    hf_play *p = &b->play;
    hf_msg_store_knot knot;
    uint16_t pulse[HF_CHANNELS];
    uint8_t where;
    uint32_t excess;
    if (p->knot == b->store.head.knots) {
        if (p->lap + 1 < b->store.head.repeats) {
            p->lap++;
            p->knot = 0;
        } else {
            if (b->path.count) return;
            p->phase = HF_PLAY_DONE;
            p->played = p->knot;
            hf_send_event(b, HF_EVENT_ROUTINE_DONE, 255, p->played);
            return;
        }
    }
    hf_store_read_knot(p->knot, &knot);
    if (!p->frames_left) p->frames_left = p->knot ? knot.frames : frames_back(b, &knot);
    uint16_t piece = p->frames_left > 100 ? 50 : p->frames_left;
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        int32_t way = (int32_t)knot.pulse[i] - p->before[i];
        pulse[i] = knot.pulse[i] ? (uint16_t)(p->before[i] + way * piece / p->frames_left) : 0;
    }
    p->at_us += piece * FRAME;
    if (hf_add_target(b, p->at_us, pulse, &where, &excess)) {
        hf_stop(b, HF_CAUSE_BAD_LIMIT, false);
        return;
    }
    memcpy(p->before, pulse, sizeof p->before);
    p->frames_left = (uint16_t)(p->frames_left - piece);
    if (!p->frames_left) p->knot++;
}

/* True if whoever lets it run has let go. */
static bool let_go(const hf_board *b, bool pressed_again)
{
    if (b->play.by_host) return false;      /* its heartbeat is watched elsewhere */
    return b->store.head.hold ? !b->pedal : pressed_again;
}

void hf_play_work(hf_board *b)
{
    hf_play *p = &b->play;
    uint32_t now = hf_port_now();
    bool pressed = b->pedal && !p->was_pressed;
    p->was_pressed = b->pedal;
    if (!b->pedal && now - p->pedal_us >= RELEASED_US) p->released = true;
    if (p->phase == HF_PLAY_IDLE) {
        bool may = without_host(b) && (b->state == HF_STATE_WAITING || b->state == HF_STATE_STOPPED);
        if (may && b->pedal && p->released && now - p->pedal_us >= HELD_US) {
            p->released = false;
            hf_play_start(b, false);
        }
        return;
    }
    if (p->phase == HF_PLAY_DONE && !p->by_host) {
        if (let_go(b, pressed)) hf_cut(b, HF_STATE_WAITING, HF_CAUSE_NONE);
        return;
    }
    if (let_go(b, pressed)) {
        hf_stop(b, HF_CAUSE_PEDAL_RELEASED, false);
        return;
    }
    switch (p->phase) {
    case HF_PLAY_SETTLE:
        if (hf_settled(b)) p->phase = HF_PLAY_ATTACH;
        break;
    case HF_PLAY_ATTACH: attach_next(b); break;
    case HF_PLAY_RUN:
        if (b->path.count < AHEAD && (int32_t)(p->at_us - b->frame_us) < 1000000) feed(b);
        p->played = p->knot > b->path.count ? (uint16_t)(p->knot - b->path.count) : 0;
        break;
    case HF_PLAY_DONE: hf_enter(b, HF_STATE_LIVE, HF_CAUSE_NONE); p->phase = HF_PLAY_IDLE; break;
    default: break;
    }
}
