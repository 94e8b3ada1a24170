#include "cobs.h"

uint16_t hf_cobs_encode(const uint8_t *in, uint16_t count, uint8_t *out)
{
    uint16_t code_at = 0, at = 1;
    uint8_t code = 1;
    for (uint16_t i = 0; i < count; i++) {
        if (in[i]) {
            out[at++] = in[i];
            code++;
        }
        /* A full group of 254 is closed only if something follows: so the code of every text is the shortest one. */
        if (!in[i] || (code == 255 && i + 1 < count)) {
            out[code_at] = code;
            code_at = at++;
            code = 1;
        }
    }
    out[code_at] = code;
    return at;
}

int16_t hf_cobs_decode(uint8_t *bytes, uint16_t count)
{
    uint16_t from = 0, to = 0;
    if (!count) return -1;
    while (from < count) {
        uint8_t code = bytes[from++];
        if (!code || (uint16_t)(code - 1) > count - from) return -1;
        for (uint8_t i = 1; i < code; i++) {
            if (!bytes[from]) return -1;
            bytes[to++] = bytes[from++];
        }
        if (code != 255 && from < count) bytes[to++] = 0;
    }
    return (int16_t)to;
}
