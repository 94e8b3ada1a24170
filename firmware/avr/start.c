/* Before anything else: why did it reset, and stop the watchdog; paint the stack, to see later how deep it went. */
#include <avr/io.h>
#include <avr/wdt.h>

uint8_t hf_reset_flags __attribute__((section(".noinit")));
extern uint8_t _end, __stack;

void first_things(void) __attribute__((naked, used, section(".init3")));
void first_things(void)
{
    uint8_t flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
    for (uint8_t *p = &_end; p < &__stack - 16; p++) *p = 0xc5;
    hf_reset_flags = flags;
}
