/* CRC-16/IBM-3740: polynomial 1021, start FFFF, not reflected, no final XOR. */
#ifndef HF_CRC_H
#define HF_CRC_H
#include <stdint.h>

#define HF_CRC_START 0xffffu

/* The CRC after one more byte. All 8 steps at once: with x the top byte after adding the new one, x ^= x >> 4 carries
   the feedback of its high half into its low half; what remains of x (x^12 + x^5 + 1) is added to the shifted
   register. Inline, because every byte on the line passes here. */
static inline uint16_t hf_crc_byte(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)((crc >> 8) ^ byte);
    x ^= (uint8_t)(x >> 4);
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^ x);
}

/* The CRC of `count` bytes. */
uint16_t hf_crc(const uint8_t *bytes, uint16_t count);
#endif
