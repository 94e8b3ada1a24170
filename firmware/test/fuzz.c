/* Arbitrary bytes and made-up frames into the core, with time, readings and inputs going on in between. After every
   step: what was accepted is made of the same bytes when it is written anew, and no output leaves travel or slew. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "crc.h"
#include "host_port.h"

#define CHECK(truth) do { if (!(truth)) { fprintf(stderr, "broken: %s, line %d\n", #truth, __LINE__); abort(); } } while (0)

static hf_board board;
static hf_receiver twin;                 /* a second receiver, to see what the board sees */
static uint16_t given[HF_CHANNELS];      /* pulses of the frame under way */
static uint8_t sequence, frame_rounds;
static uint32_t frame_us;
static uint16_t counts16[HF_READINGS];

static void look_at_outputs(void)
{
    CHECK(board.relay == host.relay);
    bool powered = board.state == HF_STATE_SETTLING || board.state == HF_STATE_LIVE ||
                   board.state == HF_STATE_STOPPING || board.state == HF_STATE_PLAYING;
    CHECK(!host.relay || powered);
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        const hf_channel_limits *c = &board.limits.channel[i];
        uint16_t p = host.pulse[i];
        if (!p) continue;
        CHECK(host.relay && c->known);
        CHECK(board.state != HF_STATE_SETTLING);
        CHECK(p >= c->travel_low && p <= c->travel_high);
    }
}

/* The slew limit holds from one pulse to the next. */
static void next_frame(void)
{
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        uint16_t a = given[i], b = host.pulse[i];
        if (a && b) CHECK((a > b ? a - b : b - a) <= board.limits.channel[i].slew);
        given[i] = b;
    }
    frame_us += HF_FRAME_US;
    host.now_us = frame_us;
    hf_board_frame(&board, frame_us, 0);
    frame_rounds = 0;
    look_at_outputs();
}

static void read_inputs(void)
{
    host.now_us += 9000;
    hf_board_readings(&board, frame_rounds, counts16, host.now_us - 4000);
    frame_rounds = !frame_rounds;
    look_at_outputs();
}

static void pass_time(uint8_t frames)
{
    while (frames--) {
        next_frame();
        read_inputs();
        hf_board_inputs(&board, board.pedal, board.stop_open);
        hf_board_work(&board);
        read_inputs();
        host.sent = 0;
    }
}

static void feed(const uint8_t *bytes, size_t count)
{
    uint8_t again[HF_LONGEST_BODY + 2], wire[HF_LONGEST_WIRE], raw[HF_LONGEST_WIRE], where;
    static uint8_t held;
    for (size_t i = 0; i < count; i++) {
        hf_frame frame;
        if (bytes[i] && held < sizeof raw - 1) raw[held++] = bytes[i];
        uint8_t was = held;
        if (!bytes[i]) held = 0;
        if (hf_receive(&twin, bytes[i], true, &frame) == HF_FRAME_GOOD &&
            hf_recode(frame.type, frame.payload, again + HF_HEAD, &where)) {
            uint8_t made = hf_seal(again, frame.type, frame.sequence, (uint8_t)hf_payload_length(frame.type), wire);
            CHECK(made == was + 1 && !memcmp(wire, raw, was));
        }
        hf_board_byte(&board, bytes[i], host.now_us);
        look_at_outputs();
    }
    host.sent = 0;
}

/* A frame whose CRC is right, whatever is in it. */
static void frame_of(uint8_t type, const uint8_t *payload, size_t count)
{
    uint8_t body[HF_LONGEST_BODY] = { 0 }, wire[HF_LONGEST_WIRE];
    int16_t length = hf_payload_length(type);
    if (length < 0 || !hf_is_for_board(type)) length = (int16_t)(count % 90);
    memcpy(body + HF_HEAD, payload, count < (size_t)length ? count : (size_t)length);
    feed(wire, hf_seal(body, type, ++sequence, (uint8_t)length, wire));
}

#define SEND(name, ...)                                                         \
    do {                                                                        \
        hf_msg_##name m = { __VA_ARGS__ };                                      \
        uint8_t p[HF_LONGEST_BODY];                                             \
        frame_of(HF_TYPE_##name##_, p, hf_write_##name(p, &m));                 \
    } while (0)
#define HF_TYPE_identify_ HF_TYPE_IDENTIFY
#define HF_TYPE_bench_ HF_TYPE_BENCH
#define HF_TYPE_channel_ HF_TYPE_CHANNEL
#define HF_TYPE_table_ HF_TYPE_TABLE
#define HF_TYPE_power_ HF_TYPE_POWER
#define HF_TYPE_heartbeat_ HF_TYPE_HEARTBEAT
#define HF_TYPE_attach_ HF_TYPE_ATTACH
#define HF_TYPE_target_ HF_TYPE_TARGET

static void known_bench(uint8_t how)
{
    SEND(identify, .nonce = 1, .protocol = 1);
    SEND(bench, .stamp = 5, .stop_category = how & 1, .stop_time_ms = 400, .stop_pose = how >> 1 & 1,
         .brown_out_mV = 4000, .supply_full_mV = 10000, .current_full_mA = 50000);
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        SEND(channel, .channel = i, .travel_low = 5000, .travel_high = 19000, .slew = (uint16_t)(40 + 100 * i), .park = 9000,
             .wiper_low = 500, .wiper_high = 16000, .follow = 2000, .follow_ms = 300);
        if (i < 9)
            SEND(table, .channel = i, .points = 3, .wiper = { 1000, 8000, 15000 }, .pulse = { 19500, 12000, 4500 });
    }
    SEND(heartbeat, .permission = 1);
}

static void powered_bench(void)
{
    SEND(power, .on = 1);
    for (uint8_t i = 0; i < 20; i++) {
        pass_time(1);
        SEND(heartbeat, .permission = 1);
    }
    for (uint8_t i = 0; i < 3; i++) {
        SEND(attach, .channel = i, .ramp = 100);
        for (uint8_t k = 0; k < 14; k++) {
            pass_time(1);
            SEND(heartbeat, .permission = 1);
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (!size) return 0;
    uint8_t how = *data++;
    size--;
    host_port_start();
    hf_receiver_start(&twin);
    memset(given, 0, sizeof given);
    sequence = frame_rounds = 0;
    frame_us = how & 0x40 ? 0xffff0000u / HF_FRAME_US * HF_FRAME_US : 0;
    host.now_us = frame_us;
    for (uint8_t i = 0; i < HF_READINGS; i++) counts16[i] = (uint16_t)(8000 + 100 * i);
    hf_board_start(&board, 1);
    feed((const uint8_t *)"", 1);
    pass_time(1);
    if (how & 4) known_bench(how);
    if ((how & 0xc) == 0xc) powered_bench();
    while (size) {
        uint8_t what = *data++;
        size--;
        size_t take = what >> 3;
        if (take > size) take = size;
        switch (what & 7) {
        case 0: feed(data, take); break;
        case 1:
        case 2:
            if (take) frame_of(data[0], data + 1, take - 1);
            break;
        case 3: pass_time((uint8_t)take); take = 0; break;
        case 4:
            SEND(heartbeat, .permission = take > 1);
            pass_time((uint8_t)(take & 7));
            take = 0;
            break;
        case 5:
            if (take > 2) {
                uint16_t pulse[HF_CHANNELS];
                for (uint8_t i = 0; i < HF_CHANNELS; i++) {
                    uint8_t raw = data[2 + i % (take - 2)];
                    pulse[i] = i < 3 && raw ? (uint16_t)(3200 + 69 * raw) : 0;
                }
                hf_msg_target m = { .at_us = frame_us + 400u * hf_get16(data) };
                memcpy(m.pulse, pulse, sizeof pulse);
                uint8_t p[HF_LONGEST_BODY];
                frame_of(HF_TYPE_TARGET, p, hf_write_target(p, &m));
            }
            break;
        case 6:
            if (take > 1) counts16[data[0] & 15] = (uint16_t)(data[1] * 64u);
            read_inputs();
            if (frame_rounds) read_inputs();
            break;
        case 7:
            hf_board_inputs(&board, take & 1, take >> 1 & 1);
            hf_board_break(&board, take >> 2 & 1);
            take = 0;
            break;
        }
        data += take;
        size -= take;
    }
    pass_time(2);
    return 0;
}

#ifdef HF_REPLAY
/* Without libFuzzer: a million bytes of a small generator, as whole runs. */
int main(int count, char **given_arguments)
{
    unsigned long runs = count > 1 ? strtoul(given_arguments[1], NULL, 10) : 1000;
    uint64_t state = count > 2 ? strtoul(given_arguments[2], NULL, 10) : 1;
    static uint8_t data[1000];
    for (unsigned long r = 0; r < runs; r++) {
        for (size_t i = 0; i < sizeof data; i++) {
            state = state * 6364136223846793005u + 1442695040888963407u;   /* Knuth's MMIX generator */
            data[i] = (uint8_t)(state >> 56);
        }
        data[0] |= (uint8_t)(r % 4 ? 0x0c : 0);
        LLVMFuzzerTestOneInput(data, sizeof data);
    }
    printf("%lu runs of %zu bytes\n", runs, sizeof data);
    return 0;
}
#endif
