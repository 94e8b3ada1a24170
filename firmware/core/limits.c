#include "limits.h"

#include <string.h>

#include "crc.h"

void hf_limits_forget(hf_limits *l)
{
    memset(l, 0, sizeof *l);
    for (uint8_t i = 0; i <= HF_CHANNELS; i++) hf_limits_seal(l, i);
}

static uint16_t check_of(const hf_limits *l, uint8_t i)
{
    if (i < HF_CHANNELS) return hf_crc((const uint8_t *)&l->channel[i], sizeof l->channel[i]);
    return (uint16_t)(hf_crc((const uint8_t *)&l->bench, sizeof l->bench) ^ l->known);
}

void hf_limits_seal(hf_limits *l, uint8_t i) { l->check[i] = check_of(l, i); }

bool hf_limits_intact(const hf_limits *l, uint8_t i) { return l->check[i] == check_of(l, i); }

void hf_limits_set_bench(hf_limits *l, const hf_msg_bench *bench)
{
    hf_limits_forget(l);
    l->bench = *bench;
    l->known = 1;
    hf_limits_seal(l, HF_CHANNELS);
}

hf_limits_result hf_limits_set_channel(hf_limits *l, const hf_msg_channel *c, uint8_t *where)
{
    *where = 2;
    if (c->travel_low >= c->travel_high) return HF_BAD_ORDER;
    *where = 4;
    if (c->park && (c->park < c->travel_low || c->park > c->travel_high)) return HF_BAD_ORDER;
    *where = 6;
    if (c->wiper_low >= c->wiper_high) return HF_BAD_ORDER;
    hf_channel_limits *to = &l->channel[c->channel];
    memset(to, 0, sizeof *to);
    to->travel_low = c->travel_low;
    to->travel_high = c->travel_high;
    to->slew = c->slew;
    to->park = c->park;
    to->wiper_low = c->wiper_low;
    to->wiper_high = c->wiper_high;
    to->follow = c->follow;
    to->follow_ms = c->follow_ms;
    to->known = 1;
    hf_limits_seal(l, c->channel);
    return HF_OK;
}

hf_limits_result hf_limits_set_table(hf_limits *l, const hf_msg_table *t, uint8_t *where)
{
    hf_channel_limits *to = &l->channel[t->channel];
    for (uint8_t i = 0; i < HF_TABLE_POINTS; i++) {
        *where = 3;
        if ((t->pulse[i] != 0) != (i < t->points)) return HF_BAD_ORDER;
        *where = 2;
        if (i >= t->points) {
            if (t->wiper[i]) return HF_BAD_ORDER;
            continue;
        }
        if (!i) continue;
        if (t->wiper[i] <= t->wiper[i - 1]) return HF_BAD_ORDER;
        *where = 3;
        if (t->pulse[i] == t->pulse[i - 1]) return HF_BAD_ORDER;
        if ((t->pulse[i] > t->pulse[i - 1]) != (t->pulse[1] > t->pulse[0])) return HF_BAD_ORDER;
    }
    to->points = t->points;
    memcpy(to->wiper, t->wiper, sizeof to->wiper);
    memcpy(to->pulse, t->pulse, sizeof to->pulse);
    hf_limits_seal(l, t->channel);
    return HF_OK;
}

/* y on the line through (x0, y0) and (x1, y1), x0 != x1. */
static int32_t on_line(int32_t x, int32_t x0, int32_t y0, int32_t x1, int32_t y1)
{
    return y0 + (x - x0) * (y1 - y0) / (x1 - x0);
}

hf_limits_result hf_limits_pose(const hf_channel_limits *c, uint16_t wiper, uint16_t *pulse, uint16_t *excess)
{
    *excess = 0;
    if (!c->points) return HF_NO_TABLE;
    uint16_t first = c->wiper[0], last = c->wiper[c->points - 1];
    if (wiper < c->wiper_low || wiper > c->wiper_high) return HF_OUTSIDE_WINDOW;
    if (wiper + HF_TABLE_REACH < first || wiper > last + HF_TABLE_REACH) return HF_OUTSIDE_WINDOW;
    uint8_t i = 1;
    while (i + 1 < c->points && wiper > c->wiper[i]) i++;
    int32_t at = on_line(wiper, c->wiper[i - 1], c->pulse[i - 1], c->wiper[i], c->pulse[i]);
    *pulse = hf_limits_clamp(c, at);
    int32_t off = at > *pulse ? at - *pulse : *pulse - at;
    *excess = (uint16_t)(off > 65535 ? 65535 : off);
    return off > HF_TRAVEL_REACH ? HF_OUTSIDE_TRAVEL : HF_OK;
}

int16_t hf_limits_expected(const hf_channel_limits *c, uint16_t pulse)
{
    bool climbs = c->pulse[1] > c->pulse[0];
    uint8_t i = 1;
    while (i + 1 < c->points && (climbs ? pulse > c->pulse[i] : pulse < c->pulse[i])) i++;
    int32_t at = on_line(pulse, c->pulse[i - 1], c->wiper[i - 1], c->pulse[i], c->wiper[i]);
    return (int16_t)(at < 0 ? 0 : at > 16368 ? 16368 : at);
}

uint16_t hf_limits_clamp(const hf_channel_limits *c, int32_t pulse)
{
    if (pulse < c->travel_low) return c->travel_low;
    if (pulse > c->travel_high) return c->travel_high;
    return (uint16_t)pulse;
}
