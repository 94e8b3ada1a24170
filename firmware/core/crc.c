#include "crc.h"

uint16_t hf_crc(const uint8_t *bytes, uint16_t count)
{
    uint16_t crc = HF_CRC_START;
    while (count--) crc = hf_crc_byte(crc, *bytes++);
    return crc;
}
