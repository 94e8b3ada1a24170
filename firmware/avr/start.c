/* Before anything else, even before memory is cleared: all outputs low; why did it reset; stop the watchdog; paint the
   stack, to see later how deep it went. */
#include <avr/io.h>
#include <avr/wdt.h>

uint8_t hf_reset_flags __attribute__((section(".noinit")));
extern uint8_t _end, __stack;

static inline void start_pins(void)
{
    DDRA |= _BV(PA0);                                   /* relay */
    DDRB |= _BV(PB4) | _BV(PB5) | _BV(PB6) | _BV(PB7);  /* sounder, outputs 0 to 2 */
    DDRE |= _BV(PE3) | _BV(PE4) | _BV(PE5);             /* outputs 3 to 5 */
    DDRH |= _BV(PH3) | _BV(PH4) | _BV(PH5);             /* outputs 6 to 8 */
    DDRL |= _BV(PL3) | _BV(PL4) | _BV(PL5);             /* outputs 9 to 11 */
    DDRG |= _BV(PG5);                                   /* lamp */
    PORTD |= _BV(PD2) | _BV(PD3);                       /* pedal and stop: pulled up */
    DIDR0 = 0xff;
    DIDR2 = 0xff;
}

void first_things(void) __attribute__((naked, used, section(".init3")));
void first_things(void)
{
    uint8_t flags = MCUSR;
    start_pins();
    MCUSR = 0;
    wdt_disable();
    for (uint8_t *p = &_end; p < &__stack - 16; p++) *p = 0xc5;
    hf_reset_flags = flags;
}
