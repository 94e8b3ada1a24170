/* A routine that outlives a reset. What is written goes byte by byte, between everything else. */
#include "board.h"

#include <string.h>

#include "crc.h"

/* Places in the store. The mark is written last, and voided first. */
enum { AT_MARK = 0, AT_HEAD = 2, AT_LIMITS = 64, AT_KNOTS = 4096 - HF_KNOTS * HF_KNOT_BYTES };
#define MARK 0x5a
#define LIMITS_BYTES ((uint16_t)sizeof(hf_limits))
_Static_assert(AT_HEAD + sizeof(hf_store_head) + 2 <= AT_LIMITS, "the head runs into the limits");
_Static_assert(AT_LIMITS + sizeof(hf_limits) <= AT_KNOTS, "the limits run into the knots");

static uint16_t crc_of_head(const hf_board *b)
{
    return (uint16_t)(hf_crc((const uint8_t *)&b->store.head, sizeof b->store.head) ^
                      hf_crc((const uint8_t *)&b->limits, LIMITS_BYTES));
}

static uint16_t read16(uint16_t at)
{
    return (uint16_t)(hf_port_store_read(at) | (uint16_t)hf_port_store_read((uint16_t)(at + 1)) << 8);
}

static void read_bytes(uint16_t at, uint8_t *to, uint16_t count)
{
    while (count--) *to++ = hf_port_store_read(at++);
}

void hf_store_read_knot(uint16_t i, hf_msg_store_knot *knot)
{
    uint8_t bytes[HF_KNOT_BYTES];
    read_bytes((uint16_t)(AT_KNOTS + i * HF_KNOT_BYTES), bytes, HF_KNOT_BYTES);
    knot->index = i;
    knot->frames = hf_get16(bytes);
    for (uint8_t c = 0; c < HF_CHANNELS; c++) knot->pulse[c] = hf_get16(bytes + 2 + 2 * c);
}

void hf_store_start(hf_board *b)
{
    hf_store *s = &b->store;
    memset(s, 0, sizeof *s);
    if (hf_port_store_read(AT_MARK) != MARK) return;
    read_bytes(AT_HEAD, (uint8_t *)&s->head, sizeof s->head);
    if (s->head.knots == 0 || s->head.knots > HF_KNOTS) return;
    uint16_t crc = HF_CRC_START;
    for (uint16_t i = 0; i < s->head.knots * HF_KNOT_BYTES; i++)
        crc = hf_crc_byte(crc, hf_port_store_read((uint16_t)(AT_KNOTS + i)));
    s->valid = crc == s->head.crc;
}

bool hf_store_read_limits(hf_board *b)
{
    read_bytes(AT_LIMITS, (uint8_t *)&b->limits, LIMITS_BYTES);
    bool fits = crc_of_head(b) == read16(AT_HEAD + sizeof b->store.head);
    if (!fits) hf_limits_forget(&b->limits);
    return fits;
}

static void start_job(hf_store *s, hf_store_job job, uint16_t at, uint16_t count)
{
    s->job = job;
    s->at = at;
    s->end = (uint16_t)(at + count);
}

uint8_t hf_store_begin(hf_board *b, const hf_msg_store_begin *m, uint8_t *where, uint32_t *excess)
{
    hf_store *s = &b->store;
    if (m->knots > HF_KNOTS) {
        *excess = (uint32_t)(m->knots - HF_KNOTS);
        return HF_REASON_DOES_NOT_FIT;
    }
    if (!b->limits.known) return HF_REASON_NO_LIMITS;
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        if (!(m->mask >> i & 1)) continue;
        *where = i;
        if (!b->limits.channel[i].known) return HF_REASON_NO_LIMITS;
        if (!b->limits.channel[i].points) return HF_REASON_NO_TABLE;
    }
    *where = 255;
    memset(s, 0, sizeof *s);
    s->head = (hf_store_head){ .knots = m->knots, .mask = m->mask, .crc = m->crc, .ramp = m->ramp, .hold = m->hold,
                               .repeats = m->repeats, .frames = 0, .stamp = b->limits.bench.stamp };
    s->taking = true;
    s->crc = HF_CRC_START;
    start_job(s, HF_STORE_VOID, AT_MARK, 1);
    return 0;
}

/* Checks a knot against travel and slew. */
static uint8_t check_knot(const hf_board *b, const hf_msg_store_knot *m, uint8_t *where, uint32_t *excess)
{
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        const hf_channel_limits *c = &b->limits.channel[i];
        uint16_t p = m->pulse[i];
        *where = i;
        if (!(b->store.head.mask >> i & 1)) {
            if (p) return HF_REASON_NOT_ATTACHED;
            continue;
        }
        if (hf_limits_clamp(c, p) != p) {
            *excess = (uint32_t)(p < c->travel_low ? c->travel_low - p : p - c->travel_high);
            return HF_REASON_OUTSIDE_TRAVEL;
        }
        if (!m->index) continue;
        uint16_t before = b->store.before[i];
        uint32_t way = p > before ? (uint32_t)(p - before) : (uint32_t)(before - p);
        uint32_t step = (way + m->frames - 1) / m->frames;
        if (step > c->slew) {
            *excess = step - c->slew;
            return HF_REASON_TOO_FAST;
        }
    }
    *where = 255;
    return 0;
}

uint8_t hf_store_knot(hf_board *b, const hf_msg_store_knot *m, uint8_t *where, uint32_t *excess)
{
    hf_store *s = &b->store;
    if (!s->taking || m->index != s->taken || m->index >= s->head.knots) {
        *excess = s->taking ? (uint32_t)(s->head.knots - s->taken) : 0;
        return HF_REASON_MISSING_KNOT;
    }
    uint8_t reason = check_knot(b, m, where, excess);
    if (reason) return reason;
    hf_put16(s->buffer, m->frames);
    for (uint8_t i = 0; i < HF_CHANNELS; i++) hf_put16(s->buffer + 2 + 2 * i, m->pulse[i]);
    for (uint8_t i = 0; i < HF_KNOT_BYTES; i++) s->crc = hf_crc_byte(s->crc, s->buffer[i]);
    memcpy(s->before, m->pulse, sizeof s->before);
    if (m->index) s->head.frames += m->frames;
    s->taken++;
    start_job(s, HF_STORE_KNOT, (uint16_t)(AT_KNOTS + m->index * HF_KNOT_BYTES), HF_KNOT_BYTES);
    return 0;
}

uint8_t hf_store_commit(hf_board *b, uint32_t *excess)
{
    hf_store *s = &b->store;
    if (!s->taking || s->taken != s->head.knots) {
        *excess = s->taking ? (uint32_t)(s->head.knots - s->taken) : 0;
        return HF_REASON_MISSING_KNOT;
    }
    if (s->crc != s->head.crc) return HF_REASON_CHECK_FAILED;
    /* Limits may have been sent anew since the knots were checked against them. */
    if (b->limits.bench.stamp != s->head.stamp || !b->limits.known) return HF_REASON_NO_LIMITS;
    s->taking = false;
    start_job(s, HF_STORE_HEAD, AT_HEAD, (uint16_t)(AT_LIMITS + LIMITS_BYTES - AT_HEAD));
    return 0;
}

uint8_t hf_store_erase(hf_board *b)
{
    memset(&b->store, 0, sizeof b->store);
    start_job(&b->store, HF_STORE_ERASE, AT_MARK, 1);
    return 0;
}

/* What belongs at a place of the store. */
static uint8_t byte_at(const hf_board *b, uint16_t at)
{
    const hf_store *s = &b->store;
    uint16_t in_head = (uint16_t)(at - AT_HEAD);
    switch (s->job) {
    case HF_STORE_KNOT: return s->buffer[HF_KNOT_BYTES - (s->end - at)];
    case HF_STORE_HEAD:
        if (at >= AT_LIMITS) return ((const uint8_t *)&b->limits)[at - AT_LIMITS];
        if (in_head < sizeof s->head) return ((const uint8_t *)&s->head)[in_head];
        if (in_head == sizeof s->head) return (uint8_t)crc_of_head(b);
        if (in_head == sizeof s->head + 1) return (uint8_t)(crc_of_head(b) >> 8);
        return 0;
    case HF_STORE_VALID: return MARK;
    default: return 0;
    }
}

static void end_job(hf_board *b)
{
    hf_store *s = &b->store;
    hf_store_job job = s->job;
    s->job = HF_STORE_NOTHING;
    if (job == HF_STORE_HEAD) {
        start_job(s, HF_STORE_VALID, AT_MARK, 1);
        return;
    }
    if (job == HF_STORE_VALID) {
        s->valid = true;
        hf_send_event(b, HF_EVENT_STORE_WRITTEN, 255, s->head.knots);
    }
    hf_send_ack(b, s->of, s->what);
}

void hf_store_work(hf_board *b)
{
    hf_store *s = &b->store;
    if (s->job == HF_STORE_NOTHING || !hf_port_store_idle()) return;
    /* Bytes that stand there already are left alone: the store wears out by writing. */
    for (uint8_t i = 0; i < 16 && s->at < s->end; i++) {
        uint8_t byte = byte_at(b, s->at);
        if (hf_port_store_read(s->at) != byte) {
            hf_port_store_write(s->at++, byte);
            return;
        }
        s->at++;
    }
    if (s->at == s->end) end_job(b);
}
