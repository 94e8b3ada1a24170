/* From targets to the next frame's pulses, inside travel and slew whatever the targets say. */
#include <string.h>

#include "board.h"

#define FRAME ((uint32_t)HF_FRAME_US)
#define SETTLE_FRAMES 10        /* a servo's time to take hold of its first pulse: 200 ms */

bool hf_any_channel(const hf_board *b, uint8_t channel_state)
{
    for (uint8_t i = 0; i < HF_CHANNELS; i++)
        if (b->channel[i] == channel_state) return true;
    return false;
}

/* From `from` towards `to`, by at most `step`, inside the travel. */
static uint16_t approach(const hf_channel_limits *c, uint16_t from, uint16_t to, uint16_t step)
{
    int32_t way = (int32_t)to - from;
    if (way > step) way = step;
    if (way < -(int32_t)step) way = -(int32_t)step;
    return hf_limits_clamp(c, from + way);
}

static void plan_attaching(hf_board *b, uint8_t i)
{
    hf_servo *s = &b->servo[i];
    b->next[i] = b->command[i];
    if (s->frames >= SETTLE_FRAMES && b->state != HF_STATE_STOPPING) {
        uint16_t step = s->ramp < b->limits.channel[i].slew ? s->ramp : b->limits.channel[i].slew;
        b->next[i] = approach(&b->limits.channel[i], b->command[i], s->goal, step);
    }
    b->next_given[i] = b->next[i];
}

/* Frames that are left before a stop of category 1 has to be over. */
static uint16_t frames_left(const hf_board *b)
{
    uint32_t gone = hf_port_now() - b->state_us;
    uint32_t all = (uint32_t)b->limits.bench.stop_time_ms * 1000;
    return gone + 4 * FRAME >= all ? 1 : (uint16_t)((all - gone - 3 * FRAME) / FRAME);
}

static void plan_attached(hf_board *b, uint8_t i, uint16_t line)
{
    const hf_channel_limits *c = &b->limits.channel[i];
    uint16_t from = b->command[i];
    uint16_t step = (uint16_t)(((uint32_t)c->slew * b->next_rate) >> 8);
    if (b->state == HF_STATE_STOPPING && b->limits.bench.stop_pose && c->park) {
        uint16_t way = c->park > from ? c->park - from : from - c->park;
        uint16_t even = (uint16_t)(way / frames_left(b));
        line = c->park;
        step = even < c->slew ? even : c->slew;
    }
    b->next[i] = approach(c, from, line, step);
    b->next_given[i] = b->next[i];
}

static void plan_feeling(hf_board *b, uint8_t i)
{
    hf_servo *s = &b->servo[i];
    b->next[i] = b->command[i];
    b->next_given[i] = s->left && s->frames % s->every == 0 ? b->command[i] : 0;
}

void hf_plan(hf_board *b)
{
    uint16_t line[HF_CHANNELS];
    b->next_rate = b->rate > b->rate_step ? (uint16_t)(b->rate - b->rate_step) : 0;
    b->next_path_us = b->path_us + FRAME * (uint32_t)(b->rate + b->next_rate) / 512;
    hf_path_at(&b->path, b->next_path_us, line);
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        switch (b->channel[i]) {
        case HF_CHANNEL_ATTACHING: plan_attaching(b, i); break;
        case HF_CHANNEL_ATTACHED: plan_attached(b, i, line[i]); break;
        case HF_CHANNEL_FEELING: plan_feeling(b, i); break;
        default: b->next[i] = b->next_given[i] = 0;
        }
    }
    hf_port_pulses(b->next_given);
}

/* The path begins anew where the channels are commanded. */
static void restart_path(hf_board *b)
{
    b->rate = 256;
    b->rate_step = 0;
    b->path_us = b->frame_us;
    hf_path_start(&b->path, b->frame_us, b->command);
}

void hf_slow_down(hf_board *b, uint16_t frames)
{
    uint16_t step = (uint16_t)((256 + frames - 1) / frames);
    if (!b->rate_step || b->state == HF_STATE_STOPPING) b->rate_step = step ? step : 1;
    /* An attach ramp ends where it is; what is being felt for becomes limp. */
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        if (b->channel[i] == HF_CHANNEL_ATTACHING) b->servo[i].goal = b->command[i];
        if (b->channel[i] == HF_CHANNEL_FEELING) {
            b->channel[i] = HF_CHANNEL_OFF;
            hf_send_event(b, HF_EVENT_FELT, i, 0);
        }
    }
    hf_plan(b);
}

static void count_servo(hf_board *b, uint8_t i)
{
    hf_servo *s = &b->servo[i];
    if (s->frames < 255) s->frames++;
    if (b->channel[i] == HF_CHANNEL_ATTACHING && s->frames > SETTLE_FRAMES && b->command[i] == s->goal) {
        b->channel[i] = HF_CHANNEL_ATTACHED;
        hf_path_place(&b->path, i, b->command[i]);
    }
    if (b->channel[i] == HF_CHANNEL_FEELING) {
        if (s->frames == 255) s->frames = (uint8_t)(s->frames % s->every + s->every);
        if (b->given[i] && s->left) s->left--;
    }
}

void hf_board_frame(hf_board *b, uint32_t frame_us, uint8_t missed)
{
    b->frame_us = frame_us;
    if (missed) {
        hf_count(&b->counters.late);
        hf_stop(b, HF_CAUSE_LATE_FRAME, true);
    }
    memcpy(b->command, b->next, sizeof b->command);
    memcpy(b->given, b->next_given, sizeof b->given);
    b->rate = b->next_rate;
    b->path_us = b->rate_step ? b->next_path_us : frame_us;
    for (uint8_t i = 0; i < HF_CHANNELS; i++)
        if (b->channel[i] != HF_CHANNEL_OFF) count_servo(b, i);
    if (hf_path_pass(&b->path, b->path_us)) hf_send_event(b, HF_EVENT_QUEUE_EMPTY, 255, 0);
    if (b->rate_step && !b->rate && b->state != HF_STATE_STOPPING) restart_path(b);
    hf_plan(b);
}

uint8_t hf_attach_channel(hf_board *b, uint8_t channel, uint16_t goal, uint16_t ramp, uint16_t *excess)
{
    const hf_channel_limits *c = &b->limits.channel[channel];
    hf_servo *s = &b->servo[channel];
    uint16_t pose;
    *excess = 0;
    if (!c->known) return HF_REASON_NO_LIMITS;
    if (!c->points) return HF_REASON_NO_TABLE;
    if (b->channel[channel] != HF_CHANNEL_OFF || b->path.count || hf_any_channel(b, HF_CHANNEL_ATTACHING) ||
        hf_any_channel(b, HF_CHANNEL_FEELING) || b->rate_step)
        return HF_REASON_BUSY;
    hf_limits_result found = hf_limits_pose(c, b->wiper[channel], &pose, excess);
    if (found == HF_OUTSIDE_WINDOW) return HF_REASON_OUTSIDE_WINDOW;
    if (found == HF_OUTSIDE_TRAVEL) return HF_REASON_OUTSIDE_TRAVEL;
    if (goal && hf_limits_clamp(c, goal) != goal) {
        *excess = (uint16_t)(goal < c->travel_low ? c->travel_low - goal : goal - c->travel_high);
        return HF_REASON_OUTSIDE_TRAVEL;
    }
    memset(s, 0, sizeof *s);
    s->first = pose;
    s->goal = goal ? goal : pose;
    s->ramp = ramp;
    b->command[channel] = b->next[channel] = pose;
    b->channel[channel] = HF_CHANNEL_ATTACHING;
    hf_path_place(&b->path, channel, pose);
    hf_send_event(b, HF_EVENT_ATTACHED, channel, pose);
    return 0;
}

uint8_t hf_add_target(hf_board *b, uint32_t at_us, const uint16_t *pulse, uint8_t *where, uint32_t *excess)
{
    uint32_t next_us = b->frame_us + FRAME;
    *excess = 0;
    *where = 255;
    if (b->rate_step) return HF_REASON_BUSY;
    if ((int32_t)(at_us - next_us) <= 0) {
        *excess = (next_us - at_us) / 1000;
        return HF_REASON_TOO_LATE;
    }
    if (at_us - b->frame_us > HF_HORIZON_US) {
        *excess = (at_us - b->frame_us - HF_HORIZON_US) / 1000;
        return HF_REASON_TOO_EARLY;
    }
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        const hf_channel_limits *c = &b->limits.channel[i];
        if (!pulse[i]) continue;
        *where = i;
        if (b->channel[i] != HF_CHANNEL_ATTACHED) return HF_REASON_NOT_ATTACHED;
        if (hf_limits_clamp(c, pulse[i]) == pulse[i]) continue;
        *excess = (uint32_t)(pulse[i] < c->travel_low ? c->travel_low - pulse[i] : pulse[i] - c->travel_high);
        return HF_REASON_OUTSIDE_TRAVEL;
    }
    *where = 255;
    hf_path_result added = hf_path_add(&b->path, next_us, at_us, pulse);
    if (added == HF_PATH_ORDER) {
        *where = 0;
        return HF_REASON_ORDER;
    }
    return added == HF_PATH_FULL ? HF_REASON_QUEUE_FULL : 0;
}
