/* The port of the tests: time, pins and store are plain variables. */
#include "host_port.h"

#include <string.h>

host_port host;

void host_port_start(void)
{
    memset(&host, 0, sizeof host);
    memset(host.store, 0xff, sizeof host.store);
}

void hf_port_pulses(const uint16_t *pulse)
{
    memcpy(host.pulse, pulse, sizeof host.pulse);
    host.planned = true;
}

void hf_port_cut(void)
{
    host.relay = false;
    memset(host.pulse, 0, sizeof host.pulse);
    host.cuts++;
}

void hf_port_relay(bool on) { host.relay = on; }
void hf_port_lamp(uint8_t level) { host.lamp = level; }
void hf_port_tone(uint16_t frequency) { host.tone = frequency; }

bool hf_port_send(const uint8_t *bytes, uint8_t count)
{
    if (host.sent + count > sizeof host.line) return false;
    memcpy(host.line + host.sent, bytes, count);
    host.sent += count;
    return true;
}

bool hf_port_store_idle(void) { return true; }
uint8_t hf_port_store_read(uint16_t at) { return host.store[at & 4095]; }
void hf_port_store_write(uint16_t at, uint8_t byte) { host.store[at & 4095] = byte; }
uint32_t hf_port_now(void) { return host.now_us; }
uint16_t hf_port_stack_free(void) { return 0; }
