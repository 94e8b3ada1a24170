/* What the bench allows: limits of each channel, and its measured table of wiper against pulse. */
#ifndef HF_LIMITS_H
#define HF_LIMITS_H
#include "wire_table.h"

/* Furthest that a wiper may lie outside its table and still be taken as a pose: 15 counts, some 5 degrees. */
#define HF_TABLE_REACH 240
/* Furthest that a measured pose may lie outside the travel and still be attached, us/8: about one degree. */
#define HF_TRAVEL_REACH 100

typedef struct {
    uint16_t travel_low, travel_high;  /* us/8 */
    uint16_t slew;                     /* us/8 per frame */
    uint16_t park;                     /* us/8, 0: none */
    uint16_t wiper_low, wiper_high;    /* counts/16 */
    uint16_t follow;                   /* counts/16, 0: not watched */
    uint16_t follow_ms;
    uint8_t known;                     /* 1: these limits were given */
    uint8_t points;                    /* of the table, 0: none */
    uint16_t wiper[HF_TABLE_POINTS];   /* counts/16, climbing */
    uint16_t pulse[HF_TABLE_POINTS];   /* us/8, climbing or falling */
} hf_channel_limits;

typedef struct {
    hf_msg_bench bench;
    uint8_t known;                     /* 1: a bench was given */
    hf_channel_limits channel[HF_CHANNELS];
    uint16_t check[HF_CHANNELS + 1];   /* CRC of each channel's limits, and of the bench */
} hf_limits;

typedef enum { HF_OK = 0, HF_BAD_ORDER, HF_NO_TABLE, HF_OUTSIDE_WINDOW, HF_OUTSIDE_TRAVEL } hf_limits_result;

void hf_limits_forget(hf_limits *l);
void hf_limits_set_bench(hf_limits *l, const hf_msg_bench *bench);
/* HF_BAD_ORDER: `where` is the index of the field that is out of order. */
hf_limits_result hf_limits_set_channel(hf_limits *l, const hf_msg_channel *c, uint8_t *where);
hf_limits_result hf_limits_set_table(hf_limits *l, const hf_msg_table *t, uint8_t *where);
/* Seals what stands in `channel` i (or the bench, i = HF_CHANNELS) with its CRC. */
void hf_limits_seal(hf_limits *l, uint8_t i);
/* True if the limits of channel i (or the bench, i = HF_CHANNELS) still fit their CRC. */
bool hf_limits_intact(const hf_limits *l, uint8_t i);
/* The pulse that belongs to a measured wiper. */
hf_limits_result hf_limits_pose(const hf_channel_limits *c, uint16_t wiper, uint16_t *pulse, uint16_t *excess);
/* Where the wiper should stand at a pulse; the channel must have a table. */
int16_t hf_limits_expected(const hf_channel_limits *c, uint16_t pulse);
/* `pulse` held inside the travel. */
uint16_t hf_limits_clamp(const hf_channel_limits *c, int32_t pulse);
#endif
