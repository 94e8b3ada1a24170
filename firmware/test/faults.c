/* Faults that no wire brings about: limits that change in memory, frames that are missed, a line that stays low, a
   pedal beside an open stop input. Each must stop the board, or keep it from starting. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "crc.h"
#include "host_port.h"

#define CHECK(truth) do { if (!(truth)) { fprintf(stderr, "broken: %s, line %d\n", #truth, __LINE__); exit(1); } } while (0)

static hf_board board;
static uint8_t sequence, permission;
static uint32_t frame_us;
static uint16_t counts16[HF_READINGS];

#define SEND(kind, type, ...)                                                        \
    do {                                                                             \
        hf_msg_##kind m = { __VA_ARGS__ };                                           \
        uint8_t body[HF_LONGEST_BODY], wire[HF_LONGEST_WIRE];                        \
        uint8_t length = (uint8_t)hf_write_##kind(body + HF_HEAD, &m);               \
        uint8_t count = hf_seal(body, HF_TYPE_##type, ++sequence, length, wire);     \
        for (uint8_t i = 0; i < count; i++) hf_board_byte(&board, wire[i], host.now_us); \
        host.sent = 0;                                                               \
    } while (0)

static void frame(uint8_t missed)
{
    frame_us += HF_FRAME_US;
    host.now_us = frame_us;
    hf_board_frame(&board, frame_us, missed);
    for (uint8_t round = 0; round < 2; round++) {
        host.now_us += 8000;
        hf_board_readings(&board, round, counts16, host.now_us);
        hf_board_work(&board);
    }
    hf_board_inputs(&board, board.pedal, board.stop_open);
    if (board.session) SEND(heartbeat, HEARTBEAT, .permission = permission);
    host.sent = 0;
}

static void frames(uint16_t count)
{
    while (count--) frame(0);
}

/* Limits for all channels, a host with permission, state ready. */
static void ready(uint8_t category)
{
    host_port_start();
    sequence = 0;
    permission = 1;
    frame_us = 0;
    for (uint8_t i = 0; i < HF_READINGS; i++) counts16[i] = 8000;
    hf_board_start(&board, 1);
    SEND(identify, IDENTIFY, .nonce = 1, .protocol = 1);
    SEND(bench, BENCH, .stamp = 5, .stop_category = category, .stop_time_ms = 400, .brown_out_mV = 4000,
         .supply_full_mV = 10000, .current_full_mA = 50000);
    for (uint8_t c = 0; c < HF_CHANNELS; c++) {
        SEND(channel, CHANNEL, .channel = c, .travel_low = 5000, .travel_high = 19000, .slew = 400, .wiper_low = 500,
             .wiper_high = 16000, .follow = 2000, .follow_ms = 300);
        SEND(table, TABLE, .channel = c, .points = 3, .wiper = { 1000, 8000, 15000 }, .pulse = { 4500, 12000, 19500 });
    }
    frames(3);
    CHECK(board.state == HF_STATE_READY);
}

static void live(uint8_t category)
{
    ready(category);
    SEND(power, POWER, .on = 1);
    frames(40);
    CHECK(board.state == HF_STATE_LIVE);
    SEND(attach, ATTACH, .channel = 0, .ramp = 100);
    frames(20);
    CHECK(board.channel[0] == HF_CHANNEL_ATTACHED && host.pulse[0] == 12000);
}

/* One byte of what was sent for the limits of a channel, or of the bench, has changed by one bit. */
static void flip(uint8_t i)
{
    uint8_t *byte = i < HF_CHANNELS ? (uint8_t *)&board.limits.channel[i].travel_high : (uint8_t *)&board.limits.bench.stamp;
    *byte ^= 8;
}

static void changed_limits(void)
{
    for (uint8_t i = 0; i <= HF_CHANNELS; i++) {
        live(1);
        flip(i);
        frames(HF_CHANNELS + 1);
        CHECK(board.state == HF_STATE_STOPPED && board.cause == HF_CAUSE_BAD_LIMIT && !host.relay);
        ready(1);
        flip(i);
        SEND(power, POWER, .on = 1);
        frames(3);
        CHECK(board.state == HF_STATE_READY && !host.relay);
    }
}

static void missed_frame(void)
{
    for (uint8_t category = 0; category < 2; category++) {
        live(category);
        frame(1);
        CHECK(board.state == HF_STATE_STOPPED && board.cause == HF_CAUSE_LATE_FRAME && !host.relay);
        CHECK(board.counters.late == 1);
    }
}

static void line_still_low(void)
{
    live(0);
    hf_board_break(&board, true);
    CHECK(board.state == HF_STATE_STOPPED && board.cause == HF_CAUSE_LINE_BREAK);
    SEND(clear, CLEAR, .cause = HF_CAUSE_LINE_BREAK);
    CHECK(board.state == HF_STATE_STOPPED);
    hf_board_break(&board, false);
    SEND(clear, CLEAR, .cause = HF_CAUSE_LINE_BREAK);
    CHECK(board.state == HF_STATE_READY);
}

static void press(bool pedal, bool stop_open, uint16_t count)
{
    hf_board_inputs(&board, pedal, stop_open);
    frames(count);
}

static void pedal_beside_an_open_stop(void)
{
    uint8_t bytes[HF_KNOT_BYTES] = { 1, 0, 12000 & 255, 12000 >> 8 };
    uint16_t crc = HF_CRC_START;
    for (uint8_t i = 0; i < HF_KNOT_BYTES; i++) crc = hf_crc_byte(crc, bytes[i]);
    ready(1);
    SEND(store_begin, STORE_BEGIN, .knots = 1, .mask = 1, .crc = crc, .ramp = 100, .hold = 1, .repeats = 1);
    frames(100);
    SEND(store_knot, STORE_KNOT, .index = 0, .frames = 1, .pulse = { 12000 });
    frames(100);
    SEND(store_commit, STORE_COMMIT);
    frames(1000);
    hf_board_start(&board, 2);
    CHECK(board.store.valid);
    press(false, true, 10);
    press(true, true, 100);
    CHECK(!host.relay);
    press(true, false, 100);
    CHECK(!host.relay);
    press(false, false, 10);
    press(true, false, 100);
    CHECK(host.relay);
}

int main(void)
{
    changed_limits();
    missed_frame();
    line_still_low();
    pedal_beside_an_open_stop();
    puts("all faults stopped it");
    return 0;
}
