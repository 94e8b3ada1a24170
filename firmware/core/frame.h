/* Frames: bytes from the line to checked bodies, and back. */
#ifndef HF_FRAME_H
#define HF_FRAME_H
#include "wire_table.h"

/* Version, type and sequence before a payload; check bytes behind the code; code of the longest body, check and 00. */
#define HF_HEAD 3
#define HF_CHECK 3
#define HF_LONGEST_WIRE (HF_LONGEST_BODY + 1 + HF_CHECK + 1)

typedef enum {
    HF_FRAME_NONE,        /* no frame ended with this byte */
    HF_FRAME_GOOD,
    HF_FRAME_BAD_FRAMING,
    HF_FRAME_BAD_CRC,
    HF_FRAME_BAD_VERSION,
    HF_FRAME_BAD_TYPE,
    HF_FRAME_BAD_LENGTH,
} hf_frame_result;

typedef struct {
    uint8_t bytes[HF_LONGEST_WIRE - 1];
    uint8_t count;        /* bytes since the last 00 */
    bool overlong;
} hf_receiver;

/* What a receiver holds after a whole frame: valid until its next byte. */
typedef struct {
    uint8_t type;
    uint8_t sequence;
    const uint8_t *payload;
} hf_frame;

void hf_receiver_start(hf_receiver *r);
/* Takes one byte that is not 00. Inline, because every byte on the line passes here. */
static inline void hf_receiver_push(hf_receiver *r, uint8_t byte)
{
    if (r->count < sizeof r->bytes) r->bytes[r->count++] = byte;
    else r->overlong = true;
}

/* Takes one byte. `for_board` says which direction's types are known. After BAD_VERSION, BAD_TYPE and BAD_LENGTH,
   type and sequence are filled in as well: the CRC was right. */
hf_frame_result hf_receive(hf_receiver *r, uint8_t byte, bool for_board, hf_frame *frame);
/* True if `sequence` is newer than `last`. */
bool hf_is_newer(uint8_t sequence, uint8_t last);
/* Seals `body`, which holds a payload of `length` bytes from its 4th byte on, and writes the wire's bytes, 00 included,
   to `out`. Returns how many. */
uint8_t hf_seal(uint8_t *body, uint8_t type, uint8_t sequence, uint8_t length, uint8_t *out);
#endif
