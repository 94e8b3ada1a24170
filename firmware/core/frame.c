#include "frame.h"

#include "cobs.h"
#include "crc.h"

void hf_receiver_start(hf_receiver *r)
{
    r->count = 0;
    r->overlong = false;
}

static hf_frame_result examine(hf_receiver *r, bool for_board, hf_frame *frame)
{
    int16_t count = r->overlong ? -1 : hf_cobs_decode(r->bytes, r->count);
    if (count < 5) return HF_FRAME_BAD_FRAMING;
    if (hf_crc(r->bytes, (uint16_t)count)) return HF_FRAME_BAD_CRC;
    frame->type = r->bytes[1];
    frame->sequence = r->bytes[2];
    frame->payload = r->bytes + 3;
    if (r->bytes[0] != HF_VERSION) return HF_FRAME_BAD_VERSION;
    int16_t length = hf_payload_length(frame->type);
    if (length < 0 || hf_is_for_board(frame->type) != for_board) return HF_FRAME_BAD_TYPE;
    if (count != length + 5) return HF_FRAME_BAD_LENGTH;
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
    uint16_t crc = hf_crc(body, (uint16_t)(length + 3));
    body[length + 3] = (uint8_t)(crc >> 8);
    body[length + 4] = (uint8_t)crc;
    uint8_t count = (uint8_t)hf_cobs_encode(body, (uint16_t)(length + 5), out);
    out[count++] = 0;
    return count;
}
