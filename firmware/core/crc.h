/* CRC-16/IBM-3740: polynomial 1021, start FFFF, not reflected, no final XOR. */
#ifndef HF_CRC_H
#define HF_CRC_H
#include <stdint.h>

#define HF_CRC_START 0xffffu

/* The CRC after one more byte. */
uint16_t hf_crc_byte(uint16_t crc, uint8_t byte);
/* The CRC of `count` bytes. */
uint16_t hf_crc(const uint8_t *bytes, uint16_t count);
#endif
