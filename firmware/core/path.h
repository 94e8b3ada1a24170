/* Targets in board time, joined by straight lines. */
#ifndef HF_PATH_H
#define HF_PATH_H
#include "wire_table.h"

typedef struct {
    uint32_t at_us;
    uint16_t pulse[HF_CHANNELS];       /* us/8, every channel */
} hf_knot;

typedef struct {
    hf_knot from;                      /* where the line that is being followed begins */
    hf_knot waiting[HF_QUEUE];
    uint8_t first, count;
} hf_path;

typedef enum { HF_PATH_OK = 0, HF_PATH_FULL, HF_PATH_ORDER } hf_path_result;

/* Forgets all targets; every channel is held where `pulse` says, from `now_us` on. */
void hf_path_start(hf_path *p, uint32_t now_us, const uint16_t *pulse);
/* Sets where one channel is held, in the targets that wait as well: they have none of their own for it. */
void hf_path_place(hf_path *p, uint8_t channel, uint16_t pulse);
/* Adds a target; a pulse of 0 leaves its channel where the target before has it. `now_us`: the time from which on the
   line may still be changed. */
hf_path_result hf_path_add(hf_path *p, uint32_t now_us, uint32_t at_us, const uint16_t *pulse);
/* Where the line stands at `at_us`, not before the line's beginning. */
void hf_path_at(const hf_path *p, uint32_t at_us, uint16_t *pulse);
/* Drops targets that are passed at `at_us`. True if the last one was among them. */
bool hf_path_pass(hf_path *p, uint32_t at_us);
#endif
