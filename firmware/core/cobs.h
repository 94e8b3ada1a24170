/* Consistent overhead byte stuffing (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999). */
#ifndef HF_COBS_H
#define HF_COBS_H
#include <stdint.h>

/* Encodes `count` bytes; `out` has room for count + count/254 + 1. Returns how many were written; no 00 at the end. */
uint16_t hf_cobs_encode(const uint8_t *in, uint16_t count, uint8_t *out);
/* Decodes `count` bytes that hold no 00 in place. Returns how many remain, or -1 if it is no such code. */
int16_t hf_cobs_decode(uint8_t *bytes, uint16_t count);
#endif
