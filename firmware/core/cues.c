/* Lamp and sounder: one low note in the dark for a pose that is stored, two high notes for one that is refused. */
#include "board.h"

#define DARK_US 500000UL
#define LOW_NOTE 440
#define HIGH_NOTE 1760
#define LOW_NOTE_US 250000UL
#define HIGH_NOTE_US 120000UL
#define GAP_US 80000UL

void hf_cues_start(hf_board *b, uint8_t cue)
{
    b->cue = cue;
    b->cue_us = hf_port_now();
    if (cue == HF_CUE_STORED) hf_port_lamp(0);
    hf_port_tone(cue == HF_CUE_STORED ? LOW_NOTE : HIGH_NOTE);
}

void hf_cues_work(hf_board *b, uint32_t now)
{
    uint32_t gone = now - b->cue_us;
    if (b->cue == HF_CUE_STORED) {
        if (gone >= LOW_NOTE_US) hf_port_tone(0);
        if (gone >= DARK_US) {
            hf_port_lamp(b->lamp);
            b->cue = 0;
        }
    } else if (b->cue == HF_CUE_REFUSED) {
        bool second = gone >= HIGH_NOTE_US + GAP_US;
        uint32_t into = (uint32_t)(second ? gone - HIGH_NOTE_US - GAP_US : gone);
        hf_port_tone(into < HIGH_NOTE_US ? HIGH_NOTE : 0);
        if (second && into >= HIGH_NOTE_US) b->cue = 0;
    }
}
