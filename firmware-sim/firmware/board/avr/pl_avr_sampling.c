/* Board `avr`: the sampling interrupt. A timer starts a chain of conversions a thousand times a
 * second; when the last one is done, the core's tick runs in the same interrupt. */
#include <avr/interrupt.h>
#include <avr/pgmspace.h>

#include "pl_avr.h"

#define REFERENCE (1u << REFS0) /* AVCC: the sensors hang on the same 5 V */

/* The chip's own 1.1 V against AVCC. Its source is weak: the multiplexer stands on it through the
 * idle rest of each tick, and it is converted first. The brown-out detector keeps it running. */
#define BANDGAP 14u
#define SUPPLY ((PL_AVR_CAPABILITIES & PL_CAPABILITY_SUPPLY) != 0)

#define WATER ((PL_AVR_CAPABILITIES & PL_CAPABILITY_WATER) != 0)
_Static_assert(PL_AVR_LIGHT < 4 || !WATER, "ADC6 is the fourth irradiance channel or the water");

/* Converter clock 125 kHz, a conversion in 104 us. Seven of them would leave too little of the
 * tick, so with that many inputs it is 250 kHz, a little above what the data sheet promises ten
 * bits for. */
#define PRESCALER                                                                                  \
    ((1u << ADPS2) | (1u << ADPS1) | (PL_AVR_LIGHT + WATER + SUPPLY < 4 ? 1u << ADPS0 : 0u))

/* The chain. Irradiance comes last and the first channel at its end, so that nothing stands between
 * the sample that completes a dose and the lamp. */
static const struct {
    uint8_t pin; /* ADCn */
    uint8_t column;
} chain[] PROGMEM = {
    {BANDGAP, PL_BANDGAP},
    {6, 3}, {1, PL_VACUUM}, {2, PL_OVEN}, {3, PL_HEAD},
#if PL_AVR_LIGHT > 2
    {5, 2},
#endif
#if PL_AVR_LIGHT > 1
    {4, 1},
#endif
    {0, 0},
};
#define CHAIN (sizeof chain / sizeof chain[0])
#define LEFT_OUT (PL_AVR_LIGHT > 3 || WATER ? CHAIN : 1u) /* ADC6 only where something is on it */
#define FIRST (SUPPLY ? 0u : LEFT_OUT == 1u ? 2u : 1u)

static uint16_t counts[PL_ANALOG];
static uint8_t at;

static inline void convert(uint8_t pin)
{
    ADMUX = (uint8_t)(REFERENCE | pin);
    ADCSRA = (1u << ADEN) | (1u << ADSC) | (1u << ADIE) | PRESCALER;
}

static inline uint8_t inputs(void)
{
    uint8_t pins = PIND;
    uint8_t raw = 0;
    if (!(pins & (1u << PL_AVR_INTERLOCK)))
        raw |= PL_INPUT_INTERLOCK_CLOSED;
    if (!(pins & (1u << PL_AVR_STOP)))
        raw |= PL_INPUT_STOP_RELEASED;
    return raw;
}

ISR(TIMER1_COMPA_vect)
{
    at = FIRST;
    convert(pgm_read_byte(&chain[FIRST].pin));
}

static __attribute__((noinline)) void tick(void)
{
    pl_sample_tick(&pl_avr, counts, inputs());
}

ISR(ADC_vect)
{
    counts[pgm_read_byte(&chain[at].column)] = ADC;
    if (++at == LEFT_OUT)
        at++;
    if (at < CHAIN) {
        convert(pgm_read_byte(&chain[at].pin));
        return;
    }
    if (SUPPLY)
        ADMUX = REFERENCE | BANDGAP;
    tick();
}

void pl_avr_sampling_start(void)
{
    PORTD |= (1u << PL_AVR_INTERLOCK) | (1u << PL_AVR_STOP); /* pull-ups */
    DIDR0 = 0x3F;                                            /* no digital buffers on ADC0..5 */
    ADCSRA = (1u << ADEN) | PRESCALER;
    TCCR1A = 0;
    TCCR1B = 1u << WGM12; /* the mode before its limit, the limit before the clock */
    OCR1A = F_CPU / PL_TICK_HZ - 1u;
    TCNT1 = 0;
    TIMSK1 = 1u << OCIE1A;
    TCCR1B = (1u << WGM12) | (1u << CS10);
}

/* Outputs of the core are the first bits of the port, in the same order. */
_Static_assert(PL_AVR_LAMP == PL_OUTPUT_LAMP && PL_AVR_VACUUM == PL_OUTPUT_VACUUM &&
                   PL_AVR_BEEPER == PL_OUTPUT_BEEPER,
               "the mask goes to the port as it is");

void pl_board_outputs(pl_core *pl, uint8_t mask)
{
    (void)pl;
    PORTB = (uint8_t)((PORTB & ~PL_AVR_OUTPUTS) | (mask & PL_AVR_OUTPUTS));
}

uint8_t pl_board_lock(void)
{
    uint8_t before = SREG;
    cli();
    return before;
}

void pl_board_unlock(uint8_t before)
{
    __asm__ volatile("" ::: "memory");
    SREG = before;
}
