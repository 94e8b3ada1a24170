#include "path.h"

#include <string.h>

static const hf_knot *knot(const hf_path *p, uint8_t i) { return &p->waiting[(uint8_t)(p->first + i) % HF_QUEUE]; }

/* Board time wraps: a is after b if it lies less than half the circle ahead. */
static bool after(uint32_t a, uint32_t b) { return (int32_t)(a - b) > 0; }

void hf_path_start(hf_path *p, uint32_t now_us, const uint16_t *pulse)
{
    p->first = p->count = 0;
    p->from.at_us = now_us;
    memcpy(p->from.pulse, pulse, sizeof p->from.pulse);
}

void hf_path_place(hf_path *p, uint8_t channel, uint16_t pulse)
{
    p->from.pulse[channel] = pulse;
    for (uint8_t i = 0; i < p->count; i++) p->waiting[(uint8_t)(p->first + i) % HF_QUEUE].pulse[channel] = pulse;
}

hf_path_result hf_path_add(hf_path *p, uint32_t now_us, uint32_t at_us, const uint16_t *pulse)
{
    if (p->count == HF_QUEUE) return HF_PATH_FULL;
    if (!p->count) p->from.at_us = now_us;
    const hf_knot *before = p->count ? knot(p, (uint8_t)(p->count - 1)) : &p->from;
    if (!after(at_us, before->at_us)) return HF_PATH_ORDER;
    hf_knot *to = &p->waiting[(uint8_t)(p->first + p->count) % HF_QUEUE];
    for (uint8_t i = 0; i < HF_CHANNELS; i++) to->pulse[i] = pulse[i] ? pulse[i] : before->pulse[i];
    to->at_us = at_us;
    p->count++;
    return HF_PATH_OK;
}

void hf_path_at(const hf_path *p, uint32_t at_us, uint16_t *pulse)
{
    const hf_knot *a = &p->from;
    uint8_t i = 0;
    while (i < p->count && !after(knot(p, i)->at_us, at_us)) a = knot(p, i++);
    if (i == p->count || !after(at_us, a->at_us)) {
        memcpy(pulse, a->pulse, sizeof a->pulse);
        return;
    }
    const hf_knot *b = knot(p, i);
    /* A fraction of 1/65536: with 17 600 us/8 from end to end the error is below 0.3 us/8, the product below 2^31. */
    int32_t part = (int32_t)(((uint64_t)(at_us - a->at_us) << 16) / (b->at_us - a->at_us));
    for (uint8_t c = 0; c < HF_CHANNELS; c++) {
        int32_t step = ((int32_t)b->pulse[c] - a->pulse[c]) * part;
        pulse[c] = (uint16_t)(a->pulse[c] + (step + (step < 0 ? -32768 : 32768)) / 65536);
    }
}

bool hf_path_pass(hf_path *p, uint32_t at_us)
{
    bool any = false;
    while (p->count && !after(knot(p, 0)->at_us, at_us)) {
        p->from = *knot(p, 0);
        p->first = (uint8_t)(p->first + 1) % HF_QUEUE;
        p->count--;
        any = true;
    }
    return any && !p->count;
}
