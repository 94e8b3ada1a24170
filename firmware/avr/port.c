/* The core on an ATmega2560 at 16 MHz: 12 outputs by the compare units of timers 1, 3, 4 and 5, 16 inputs, UART0. */
#define F_CPU 16000000UL
#include "../core/port.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <string.h>

#include "../core/board.h"

/* Fast PWM with ICR as top (mode 14), prescale 8: 0.5 us per tick, 40 000 ticks per frame. */
#define TOP 39999u
#define QUIET_FROM 5220u         /* ticks: the longest pulse, 2600 us, is over */
#define QUIET_TO 39980u
/* Conversions thrown away while pulses are out: 24 of 112 us. Then two rounds of 68. */
#define IDLE_CONVERSIONS 24
#define ROUND_CONVERSIONS 68
#define SWEEPS 5

static hf_board board;

/* ---- line ---- */

static volatile uint8_t rx[256], rx_head, rx_tail, rx_errors, rx_seen;
static volatile uint32_t ends[32];        /* when each 00 came */
static volatile uint8_t ends_head;
static uint8_t ends_tail;
static volatile uint8_t tx[512];
static volatile uint16_t tx_head, tx_tail;

/* ---- frames and readings ---- */

static volatile uint32_t frames;
static volatile uint8_t frames_unseen;
static uint8_t wanted[4];                 /* COM bits of timers 1, 3, 4, 5 */
static uint16_t widths[HF_CHANNELS];      /* compare values, ticks less one; 0: leave */
static volatile uint8_t ticks;            /* of about a millisecond */

typedef struct {
    uint16_t sum[HF_READINGS], low[HF_CHANNELS], high[HF_CHANNELS];
    uint32_t middle_us;
} readings;

static readings round_of[2];              /* one is being filled while the other is used */
static volatile uint8_t rounds_ready;     /* bit per round */
static volatile uint8_t conversion = 255; /* of this frame; 255: none under way */

static const uint8_t order[ROUND_CONVERSIONS] = {
    0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15,
    0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15,
    0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11,
};

extern uint8_t hf_reset_flags;            /* start.c */
extern uint8_t _end, __stack;

uint16_t hf_port_stack_free(void)
{
    const uint8_t *p = &_end;
    while (p < &__stack && *p == 0xc5) p++;
    return (uint16_t)(p - &_end);
}

/* Interrupts are off. A frame that has just ended, but was not counted yet, is seen by its flag. */
static uint32_t now_inside(void)
{
    uint16_t count = TCNT1;
    uint32_t whole = frames;
    if ((TIFR1 & _BV(TOV1)) && count < TOP / 2) whole++;
    return whole * 20000UL + count / 2;
}

uint32_t hf_port_now(void)
{
    uint8_t flags = SREG;
    cli();
    uint32_t now = now_inside();
    SREG = flags;
    return now;
}

/* ---- outputs ---- */

static void connect(const uint8_t *com)
{
    TCCR1A = (uint8_t)(com[0] | _BV(WGM11));
    TCCR3A = (uint8_t)(com[1] | _BV(WGM31));
    TCCR4A = (uint8_t)(com[2] | _BV(WGM41));
    TCCR5A = (uint8_t)(com[3] | _BV(WGM51));
}

/* Between pulses, interrupts off. The chip takes compare values over at the frame's end. */
static void hand_over(void)
{
    const uint16_t *w = widths;
    if (w[0]) OCR1A = w[0];
    if (w[1]) OCR1B = w[1];
    if (w[2]) OCR1C = w[2];
    if (w[3]) OCR3A = w[3];
    if (w[4]) OCR3B = w[4];
    if (w[5]) OCR3C = w[5];
    if (w[6]) OCR4A = w[6];
    if (w[7]) OCR4B = w[7];
    if (w[8]) OCR4C = w[8];
    if (w[9]) OCR5A = w[9];
    if (w[10]) OCR5B = w[10];
    if (w[11]) OCR5C = w[11];
    connect(wanted);
}

static bool between_pulses(void)
{
    uint16_t count = TCNT1;
    return count >= QUIET_FROM && count < QUIET_TO;
}

void hf_port_pulses(const uint16_t *pulse)
{
    uint16_t width[HF_CHANNELS];
    uint8_t com[4] = { 0, 0, 0, 0 };
    for (uint8_t i = 0; i < HF_CHANNELS; i++) {
        width[i] = pulse[i] ? (uint16_t)(((pulse[i] + 2) >> 2) - 1) : 0;
        if (pulse[i]) com[i / 3] |= (uint8_t)(0x80 >> (2 * (i % 3)));
    }
    uint8_t flags = SREG;
    cli();
    memcpy(widths, width, sizeof width);
    memcpy(wanted, com, sizeof com);
    /* While pulses are out it waits for the reading of the inputs, which begins when they are over. */
    if (between_pulses()) hand_over();
    SREG = flags;
}

void hf_port_cut(void)
{
    static const uint8_t none[4] = { 0, 0, 0, 0 };
    PORTA &= (uint8_t)~_BV(PA0);
    for (;;) {
        cli();
        if (between_pulses()) break;
        sei();
    }
    connect(none);
    memset(wanted, 0, sizeof wanted);
    sei();
}

void hf_port_relay(bool on)
{
    if (on) PORTA |= _BV(PA0);
    else PORTA &= (uint8_t)~_BV(PA0);
}

void hf_port_lamp(uint8_t level)
{
    OCR0B = level;
    if (level) TCCR0A |= _BV(COM0B1);
    else TCCR0A &= (uint8_t)~_BV(COM0B1);
}

void hf_port_tone(uint16_t frequency)
{
    static uint16_t now;
    if (frequency == now) return;
    now = frequency;
    if (frequency) {
        OCR2A = (uint8_t)(F_CPU / 256 / frequency - 1);
        TCCR2A = _BV(COM2A0) | _BV(WGM21);
        TCCR2B = _BV(CS22) | _BV(CS20);
    } else {
        TCCR2A = _BV(WGM21);
        TCCR2B = 0;
    }
}

ISR(TIMER1_OVF_vect)
{
    frames++;
    frames_unseen++;
    conversion = 0;
    ADCSRA |= _BV(ADSC);
}

/* ---- inputs ---- */

static void select_input(uint8_t i)
{
    ADMUX = (uint8_t)(_BV(REFS0) | (i & 7));
    if (i & 8) ADCSRB |= _BV(MUX5);
    else ADCSRB &= (uint8_t)~_BV(MUX5);
}

static void clear_round(readings *r)
{
    memset(r->sum, 0, sizeof r->sum);
    memset(r->low, 0xff, sizeof r->low);
    memset(r->high, 0, sizeof r->high);
}

ISR(ADC_vect)
{
    uint16_t value = ADC;
    uint8_t n = conversion;
    if (n == 255) return;
    if (n >= IDLE_CONVERSIONS) {
        uint8_t k = (uint8_t)(n - IDLE_CONVERSIONS);
        uint8_t round = k >= ROUND_CONVERSIONS;
        readings *r = &round_of[round];
        if (round) k = (uint8_t)(k - ROUND_CONVERSIONS);
        uint8_t i = order[k];
        if (!k) clear_round(r);
        r->sum[i] += value;
        if (i < HF_CHANNELS) {
            if (value < r->low[i]) r->low[i] = value;
            if (value > r->high[i]) r->high[i] = value;
        }
        if (k == ROUND_CONVERSIONS / 2) r->middle_us = now_inside();
        if (k == ROUND_CONVERSIONS - 1) rounds_ready |= (uint8_t)(1 << round);
    }
    n++;
    if (n == IDLE_CONVERSIONS) hand_over();    /* between pulses, and well before the next ones */
    if (n == IDLE_CONVERSIONS + 2 * ROUND_CONVERSIONS) {
        conversion = 255;
        return;
    }
    conversion = n;
    if (n >= IDLE_CONVERSIONS) {
        uint8_t k = (uint8_t)(n - IDLE_CONVERSIONS);
        select_input(order[k >= ROUND_CONVERSIONS ? k - ROUND_CONVERSIONS : k]);
    }
    ADCSRA |= _BV(ADSC);
}

static void use_round(uint8_t round)
{
    uint16_t counts16[HF_READINGS];
    const readings *r = &round_of[round];
    for (uint8_t i = 0; i < HF_READINGS; i++) {
        if (i < HF_CHANNELS) {
            uint16_t middle = (uint16_t)(r->sum[i] - r->low[i] - r->high[i]);
            counts16[i] = (uint16_t)(middle * 16u / (SWEEPS - 2));
        } else {
            counts16[i] = (uint16_t)(r->sum[i] * 8u);
        }
    }
    hf_board_readings(&board, round, counts16, r->middle_us);
}

static volatile uint8_t pedal_same, stop_same;
static volatile bool pedal_now, stop_now = true, break_now;

/* About every millisecond (1.024): inputs count when they were the same three times in a row. */
ISR(TIMER0_OVF_vect)
{
    static uint8_t seen_before, low_for;
    bool pedal = !(PIND & _BV(PD2)), open = PIND & _BV(PD3);
    ticks++;
    pedal_same = pedal == pedal_now ? 0 : (uint8_t)(pedal_same + 1);
    if (pedal_same >= 3) pedal_now = pedal;
    stop_same = open == stop_now ? 0 : (uint8_t)(stop_same + 1);
    if (stop_same >= 3) stop_now = open;
    /* The line is low, and no byte has come for as long: a break. */
    if ((PINE & _BV(PE0)) || rx_seen != seen_before) low_for = 0;
    else if (low_for < 255) low_for++;
    seen_before = rx_seen;
    break_now = low_for >= 3;
}

/* ---- line ---- */

ISR(USART0_RX_vect)
{
    uint8_t state = UCSR0A;
    uint8_t byte = UDR0;
    rx_seen++;
    if (state & (_BV(FE0) | _BV(DOR0))) {
        rx_errors++;
        return;
    }
    uint8_t head = rx_head, next = (uint8_t)(head + 1);
    if (next == rx_tail) {
        rx_errors++;
        return;
    }
    if (!byte) ends[ends_head++ & 31] = now_inside();
    rx[head] = byte;
    rx_head = next;
}

ISR(USART0_UDRE_vect)
{
    uint16_t at = tx_tail;
    if (at == tx_head) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
        return;
    }
    UDR0 = tx[at];
    tx_tail = (at + 1) & 511;
}

bool hf_port_send(const uint8_t *bytes, uint8_t count)
{
    uint8_t flags = SREG;
    cli();
    uint16_t head = tx_head, used = (head - tx_tail) & 511;
    SREG = flags;
    if (used + count >= 512) return false;
    while (count--) {
        tx[head] = *bytes++;
        head = (head + 1) & 511;
    }
    cli();
    tx_head = head;
    UCSR0B |= _BV(UDRIE0);
    SREG = flags;
    return true;
}

/* ---- store ---- */

bool hf_port_store_idle(void) { return eeprom_is_ready(); }

uint8_t hf_port_store_read(uint16_t at) { return eeprom_read_byte((const uint8_t *)at); }

void hf_port_store_write(uint16_t at, uint8_t byte) { eeprom_write_byte((uint8_t *)at, byte); }

/* ---- start ---- */

static void start_timers(void)
{
    /* All prescalers stand still until every timer is set, so that all frames begin together. */
    GTCCR = _BV(TSM) | _BV(PSRSYNC) | _BV(PSRASY);
    ICR1 = ICR3 = ICR4 = ICR5 = TOP;
    TCCR1A = _BV(WGM11);
    TCCR3A = _BV(WGM31);
    TCCR4A = _BV(WGM41);
    TCCR5A = _BV(WGM51);
    TCCR1B = _BV(WGM13) | _BV(WGM12) | _BV(CS11);
    TCCR3B = _BV(WGM33) | _BV(WGM32) | _BV(CS31);
    TCCR4B = _BV(WGM43) | _BV(WGM42) | _BV(CS41);
    TCCR5B = _BV(WGM53) | _BV(WGM52) | _BV(CS51);
    TCNT1 = TCNT3 = TCNT4 = TCNT5 = 0;
    TIMSK1 = _BV(TOIE1);
    TCCR0A = _BV(WGM01) | _BV(WGM00);
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(TOIE0);
    GTCCR = 0;
}

static void start_line(void)
{
    UBRR0 = (uint16_t)(F_CPU / 16 / HF_BAUD - 1);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

static void take_bytes(void)
{
    /* A few at a time: frames and readings must not wait. */
    for (uint8_t i = 0; i < 32 && rx_tail != rx_head; i++) {
        uint8_t byte = rx[rx_tail];
        uint32_t heard = 0;
        if (!byte) {
            cli();
            heard = ends[ends_tail++ & 31];
            sei();
        }
        rx_tail++;
        hf_board_byte(&board, byte, heard);
    }
}

static void take_frame(void)
{
    cli();
    uint8_t unseen = frames_unseen;
    uint32_t started = frames * 20000UL;
    frames_unseen = 0;
    sei();
    if (unseen) hf_board_frame(&board, started, (uint8_t)(unseen - 1));
}

static void take_rounds(void)
{
    for (uint8_t round = 0; round < 2; round++) {
        if (!(rounds_ready & (1 << round))) continue;
        cli();
        rounds_ready &= (uint8_t)~(1 << round);
        sei();
        use_round(round);
    }
}

static uint8_t ticks_seen;

static void take_inputs(void)
{
    static uint8_t errors_seen;
    if (ticks == ticks_seen) return;
    ticks_seen = ticks;
    hf_board_inputs(&board, pedal_now, stop_now);
    hf_board_break(&board, break_now);
    while (errors_seen != rx_errors) {
        errors_seen++;
        hf_board_line_error(&board);
    }
}

/* Sleeps until there is something to do, at most a millisecond. */
static void rest(void)
{
    for (;;) {
        cli();
        if (frames_unseen || rounds_ready || rx_tail != rx_head || ticks != ticks_seen) break;
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

int main(void)
{
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    select_input(0);
    hf_board_start(&board, hf_reset_flags);
    start_timers();
    start_line();
    set_sleep_mode(SLEEP_MODE_IDLE);
    wdt_enable(WDTO_120MS);
    sei();
    for (;;) {
        wdt_reset();
        take_frame();
        take_rounds();
        take_inputs();
        take_bytes();
        hf_board_work(&board);
        rest();
    }
}
