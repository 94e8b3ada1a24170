#ifndef HF_HOST_PORT_H
#define HF_HOST_PORT_H
#include "board.h"

typedef struct {
    uint32_t now_us;
    uint16_t pulse[HF_CHANNELS];
    bool planned, relay;
    uint8_t lamp;
    uint16_t tone, cuts;
    uint8_t store[4096];
    uint8_t line[8192];
    uint32_t sent;
} host_port;

extern host_port host;
void host_port_start(void);
#endif
