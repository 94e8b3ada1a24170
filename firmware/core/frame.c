#include "frame.h"

#include <string.h>

#include "cobs.h"
#include "crc.h"

void hf_receiver_start(hf_receiver *r)
{
    r->count = 0;
    r->overlong = false;
}

/* The 16 bits of the CRC as 4, 6 and 6 bits, high ones first, each above the two bits 01: no byte is 00, and no burst of
   up to 16 bits, in either order of bits, passes from code to check unseen. */
static void put_check(uint8_t *to, uint16_t crc)
{
    to[0] = (uint8_t)(crc >> 12 << 2 | 1);
    to[1] = (uint8_t)((crc >> 6 & 63) << 2 | 1);
    to[2] = (uint8_t)((crc & 63) << 2 | 1);
}

static hf_frame_result examine(hf_receiver *r, bool for_board, hf_frame *frame)
{
    if (r->overlong || r->count < 1 + HF_HEAD + HF_CHECK) return HF_FRAME_BAD_FRAMING;
    uint8_t coded = (uint8_t)(r->count - HF_CHECK), check[HF_CHECK];
    const uint8_t *came = r->bytes + coded;
    if ((came[0] & 0xc3) != 1 || (came[1] & 3) != 1 || (came[2] & 3) != 1) return HF_FRAME_BAD_FRAMING;
    put_check(check, hf_crc(r->bytes, coded));
    if (memcmp(came, check, HF_CHECK)) return HF_FRAME_BAD_CRC;
    int16_t count = hf_cobs_decode(r->bytes, coded);
    if (count < HF_HEAD) return HF_FRAME_BAD_FRAMING;
    frame->type = r->bytes[1];
    frame->sequence = r->bytes[2];
    frame->payload = r->bytes + HF_HEAD;
    if (r->bytes[0] != HF_VERSION) return HF_FRAME_BAD_VERSION;
    int16_t length = hf_payload_length(frame->type);
    if (length < 0 || hf_is_for_board(frame->type) != for_board) return HF_FRAME_BAD_TYPE;
    if (count != length + HF_HEAD) return HF_FRAME_BAD_LENGTH;
    return HF_FRAME_GOOD;
}

hf_frame_result hf_receive(hf_receiver *r, uint8_t byte, bool for_board, hf_frame *frame)
{
    if (byte) {
        hf_receiver_push(r, byte);
        return HF_FRAME_NONE;
    }
    if (!r->count) return HF_FRAME_NONE;
    hf_frame_result result = examine(r, for_board, frame);
    hf_receiver_start(r);
    return result;
}

bool hf_is_newer(uint8_t sequence, uint8_t last)
{
    uint8_t ahead = (uint8_t)(sequence - last);
    return ahead >= 1 && ahead <= HF_SEQUENCE_WINDOW;
}

uint8_t hf_seal(uint8_t *body, uint8_t type, uint8_t sequence, uint8_t length, uint8_t *out)
{
    body[0] = HF_VERSION;
    body[1] = type;
    body[2] = sequence;
    uint8_t count = (uint8_t)hf_cobs_encode(body, (uint16_t)(length + HF_HEAD), out);
    put_check(out + count, hf_crc(out, count));
    out[count + HF_CHECK] = 0;
    return (uint8_t)(count + HF_CHECK + 1);
}
