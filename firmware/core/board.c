/* States and stops. */
#include "board.h"

#include <string.h>

#define LINK_TIMEOUT_US (HF_LINK_TIMEOUT_MS * 1000UL)
#define CUT_EARLY_US 15000UL     /* a stop of category 1 is cut this long before its time is over */

void hf_board_start(hf_board *b, uint8_t reset_flags)
{
    memset(b, 0, sizeof *b);
    b->reset_flags = reset_flags;
    b->state = HF_STATE_WAITING;
    b->rate = b->next_rate = 256;
    hf_receiver_start(&b->receiver);
    hf_limits_forget(&b->limits);
    hf_path_start(&b->path, 0, b->command);
    hf_store_start(b);
}

void hf_enter(hf_board *b, uint8_t state, uint8_t cause)
{
    b->state = state;
    b->state_us = hf_port_now();
    b->cause = cause == HF_CAUSE_HOST_POWER_OFF ? HF_CAUSE_NONE : cause;
    hf_send_event(b, HF_EVENT_STATE_CHANGED, state, cause);
}

void hf_cut(hf_board *b, uint8_t state, uint8_t cause)
{
    hf_port_cut();
    b->relay = false;
    memset(b->channel, HF_CHANNEL_OFF, sizeof b->channel);
    memset(b->next_given, 0, sizeof b->next_given);
    memset(b->given, 0, sizeof b->given);
    b->rate = b->next_rate = 256;
    b->rate_step = 0;
    b->path_us = b->frame_us;
    hf_path_start(&b->path, b->frame_us, b->command);
    b->play.phase = HF_PLAY_IDLE;
    hf_enter(b, state, cause);
}

void hf_stop(hf_board *b, uint8_t cause, bool at_once)
{
    if (!b->relay) return;
    bool cut = at_once || b->limits.bench.stop_category == 0 || b->state == HF_STATE_SETTLING;
    if (cut) {
        hf_cut(b, HF_STATE_STOPPED, b->state == HF_STATE_STOPPING ? b->cause : cause);
    } else if (b->state != HF_STATE_STOPPING) {
        uint16_t frames = b->limits.bench.stop_time_ms / (2 * HF_FRAME_US / 1000);
        b->play.phase = HF_PLAY_IDLE;
        hf_enter(b, HF_STATE_STOPPING, cause);
        hf_slow_down(b, frames);
    }
}

void hf_power_on(hf_board *b, uint8_t state)
{
    b->relay = true;
    b->low_frames = 0;
    memset(b->steady, 0, sizeof b->steady);
    b->steady_us = hf_port_now();
    hf_port_relay(true);
    hf_enter(b, state, HF_CAUSE_NONE);
}

void hf_board_line_error(hf_board *b) { hf_count(&b->counters.line_errors); }

void hf_board_break(hf_board *b, bool low)
{
    if (low && !b->line_broken) {
        hf_count(&b->counters.breaks);
        if (b->session) hf_stop(b, HF_CAUSE_LINE_BREAK, false);
    }
    b->line_broken = low;
}

void hf_board_inputs(hf_board *b, bool pedal, bool stop_open)
{
    uint32_t now = hf_port_now();
    if (stop_open != b->stop_open) {
        b->stop_open = stop_open;
        if (stop_open) hf_stop(b, HF_CAUSE_HARDWARE_STOP, false);
        hf_send_event(b, HF_EVENT_STOP_INPUT, 255, stop_open);
    }
    if (pedal != b->pedal) {
        b->pedal = pedal;
        b->play.pedal_us = now;
        hf_send_event(b, HF_EVENT_PEDAL, 255, pedal);
    }
    if (b->relay && b->session && now - b->heartbeat_us > LINK_TIMEOUT_US) hf_stop(b, HF_CAUSE_LINK_LOST, false);
    if (b->state == HF_STATE_STOPPING &&
        now - b->state_us + CUT_EARLY_US >= (uint32_t)b->limits.bench.stop_time_ms * 1000)
        hf_cut(b, HF_STATE_STOPPED, b->cause);
}

void hf_board_byte(hf_board *b, uint8_t byte, uint32_t heard_us)
{
    hf_frame frame;
    hf_msg_counters *c = &b->counters;
    switch (hf_receive(&b->receiver, byte, true, &frame)) {
    case HF_FRAME_NONE: break;
    case HF_FRAME_GOOD: hf_board_command(b, &frame, heard_us); break;
    case HF_FRAME_BAD_FRAMING: hf_count(&c->bad_framing); break;
    case HF_FRAME_BAD_CRC: hf_count(&c->bad_crc); break;
    case HF_FRAME_BAD_VERSION:
        hf_count(&c->bad_version);
        hf_send_nack(b, frame.sequence, frame.type, HF_REASON_VERSION, 255, 0);
        break;
    case HF_FRAME_BAD_TYPE:
        hf_count(&c->bad_type);
        /* Not to what a board says: a looped line must not answer itself for ever. */
        if (hf_payload_length(frame.type) < 0)
            hf_send_nack(b, frame.sequence, frame.type, HF_REASON_UNKNOWN_TYPE, 255, 0);
        break;
    case HF_FRAME_BAD_LENGTH:
        hf_count(&c->bad_length);
        hf_send_nack(b, frame.sequence, frame.type, HF_REASON_BAD_LENGTH, 255, 0);
        break;
    }
}

void hf_board_work(hf_board *b)
{
    uint32_t now = hf_port_now();
    if (b->state == HF_STATE_SETTLING && hf_settled(b)) hf_enter(b, HF_STATE_LIVE, HF_CAUSE_NONE);
    hf_cues_work(b, now);
    hf_store_work(b);
    hf_play_work(b);
}
