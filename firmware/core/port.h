/* What the core asks of the controller under it. The AVR port and the tests on the host each provide these. */
#ifndef HF_PORT_H
#define HF_PORT_H
#include <stdbool.h>
#include <stdint.h>

/* Pulses of the next frame, us/8, 0 for none. Connected and disconnected between pulses only. May be called again
   before that frame begins; the last call holds. */
void hf_port_pulses(const uint16_t *pulse);
/* Relay off at once, and no further pulses; a pulse under way goes low by itself first (at most 2.6 ms). */
void hf_port_cut(void);
void hf_port_relay(bool on);
void hf_port_lamp(uint8_t level);
/* Sounder: a frequency in Hz, 0 for silence. */
void hf_port_tone(uint16_t frequency);
/* Hands bytes to the line; false if there is no room for all of them. */
bool hf_port_send(const uint8_t *bytes, uint8_t count);
/* The store: bytes that outlive a reset. A write may be begun only while it is idle. */
bool hf_port_store_idle(void);
uint8_t hf_port_store_read(uint16_t at);
void hf_port_store_write(uint16_t at, uint8_t byte);
/* Board time now, us. */
uint32_t hf_port_now(void);
/* Bytes of stack that were never used. */
uint16_t hf_port_stack_free(void);
#endif
