/* SPDX-License-Identifier: GPL-3.0-or-later
 * One simulated ATmega328P with its pins, power and serial line, run tick by tick. */
#include "chip.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "avr_ioport.h"

enum { /* the ATmega328P's data sheet: register summary, interrupt vectors */
    PORTB = 0x25, DDRB = 0x24, PIND = 0x29, MCUSR = 0x54,
    TIMSK1 = 0x6F, OCIE1A = 0x02,
    VECTOR_WDT = 6, VECTOR_TIMER1_COMPA = 11, VECTOR_ADC = 21,
};
#define INPUT_SHIFT 4u /* PD4, PD5 */
#define LATE_CYCLES 200u /* how much later than due a timer event may be seen */
#define FREE_RUN 100000u
#define SHORT_RUN 100u /* far less than a byte on the line */

static void fail(chip *c, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(c->error, sizeof c->error, format, arguments);
    va_end(arguments);
}

static void logger(avr_t *avr, const int level, const char *format, va_list arguments)
{
    (void)avr;
    if (level == LOG_ERROR)
        vfprintf(stderr, format, arguments);
}

static void outputs_changed(chip *c)
{
    uint8_t outputs = (uint8_t)(c->avr->data[PORTB] & c->avr->data[DDRB] & CHIP_OUTPUTS);
    if (outputs == c->outputs)
        return;
    c->outputs = outputs;
    if (c->changes < CHIP_PIN_CHANGES)
        c->change[c->changes++] = (chip_pin_change){c->avr->cycle, c->converted, outputs};
}

static void on_port(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value;
    outputs_changed(param);
}

static avr_io_t *find_io(avr_t *avr, const char *kind)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (strcmp(io->kind, kind) == 0)
            return io;
    return NULL;
}

/* Two notifications for each vector: raised (1) or taken back (0), entered (1) or returned (0). */
static void on_pending(struct avr_irq_t *irq, uint32_t value, void *param)
{
    chip *c = param;
    uint8_t number = (uint8_t)irq->irq;
    if (value)
        c->vector[number].raised = c->avr->cycle;
    if (value && number == VECTOR_TIMER1_COMPA) {
        c->boundary = true;
        c->starting = false;
    }
    if (value && number == VECTOR_ADC)
        c->converted = c->avr->cycle;
    if (number == VECTOR_WDT) {
        c->second_bark = value ? c->avr->cycle + c->watchdog->cycle_count : 0;
    }
}

static void on_running(struct avr_irq_t *irq, uint32_t value, void *param)
{
    chip *c = param;
    chip_vector *v = &c->vector[irq->irq];
    if (value) {
        v->entered = c->avr->cycle;
        v->count++;
        uint32_t late = (uint32_t)(v->entered - v->raised);
        if (v->raised != 0 && late > v->latest)
            v->latest = late;
    } else if (v->entered != 0) {
        uint32_t took = (uint32_t)(c->avr->cycle - v->entered);
        if (took > v->longest)
            v->longest = took;
        v->entered = 0;
    }
}

static void on_reset(avr_t *avr)
{
    chip *c = avr->custom.data;
    c->reset_due = true; /* the rest of the chip is still being reset */
}

static bool read_file(chip *c, const char *path)
{
    static uint8_t image[0x8000 + 1];
    FILE *file = fopen(path, "rb");
    if (!file) {
        fail(c, "cannot open the firmware '%s'", path);
        return false;
    }
    size_t size = fread(image, 1, sizeof image, file);
    fclose(file);
    if (size == 0 || size > c->avr->flashend + 1u) {
        fail(c, "the firmware '%s' has %zu bytes, the flash takes 1 to %u", path, size,
             (unsigned)c->avr->flashend + 1u);
        return false;
    }
    avr_loadcode(c->avr, image, (uint32_t)size, 0);
    c->avr->codeend = (avr_flashaddr_t)size;
    return true;
}

static void no_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr, (void)cycles;
}

bool chip_load(chip *c, const char *path)
{
    memset(c, 0, sizeof *c);
    avr_global_logger_set(logger);
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) {
        fail(c, "this libsimavr knows no atmega328p");
        return false;
    }
    c->avr = avr;
    avr_init(avr);
    if (!read_file(c, path))
        return false;
    avr->frequency = CHIP_HZ;
    avr->vcc = avr->avcc = avr->aref = CHIP_FULL_SCALE;
    avr->sleep = no_sleep;
    avr->custom.data = c;
    avr->reset = on_reset;
    c->plain_run = avr->run;
    c->adc = (avr_adc_t *)find_io(avr, "adc");
    /* The bandgap is a fifth of a reference of 5.5 V to the simulator, whose volts are not ours:
     * the caller sets it like an input, in the place of ADC7. */
    c->adc->muxmode[14] = (avr_adc_mux_t){.kind = ADC_MUX_SINGLE, .src = 7};
    c->watchdog = (const avr_watchdog_t *)find_io(avr, "watchdog");
    line_attach(&c->serial, avr);
    avr_irq_t *port = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), IOPORT_IRQ_PIN_ALL);
    avr_irq_register_notify(port, on_port, c);
    for (uint8_t v = 1; v < CHIP_VECTORS; v++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, v);
        if (!irq)
            continue;
        irq[AVR_INT_IRQ_PENDING].irq = irq[AVR_INT_IRQ_RUNNING].irq = v;
        avr_irq_register_notify(irq + AVR_INT_IRQ_PENDING, on_pending, c);
        avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_running, c);
    }
    return true;
}

/* Everything outside the simulated chip that a reset changes. */
static void after_reset(chip *c)
{
    c->reset_due = false;
    c->starting = true;
    c->second_bark = 0;
    for (uint8_t v = 0; v < CHIP_VECTORS; v++)
        c->vector[v].raised = c->vector[v].entered = 0;
    outputs_changed(c);
    chip_set_hang(c, CHIP_RUNS);
    chip_set_inputs(c, c->inputs);
    line_reset(&c->serial);
}

static void reset_by(chip *c, uint8_t flag)
{
    c->avr->run = c->plain_run;
    avr_reset(c->avr);
    c->avr->state = cpu_Running;
    c->avr->data[MCUSR] = flag;
    after_reset(c);
}

void chip_power(chip *c, uint8_t cause)
{
    static const uint8_t flags[] = {0x01, 0x02, 0x04}; /* PORF, EXTRF, BORF */
    if (cause != CHIP_EXTERNAL) { /* memory comes up with whatever: here a pattern of no meaning */
        uint8_t *data = c->avr->data;
        for (uint32_t i = c->avr->ioend + 1u, x = 1; i <= c->avr->ramend; i++) {
            x = x * 1103515245u + 12345u;
            data[i] = (uint8_t)(x >> 16);
        }
    }
    reset_by(c, flags[cause]);
    c->resets = 0;
    c->tick_start = c->avr->cycle;
}

/* Whether the instruction that is next must not run. */
static bool stands_still(const chip *c)
{
    const avr_t *avr = c->avr;
    if (avr->run != c->plain_run) /* the watchdog's reset is under way */
        return false;
    return c->hang == CHIP_INTERRUPTS_HANG ||
           (c->hang == CHIP_MAIN_HANGS && avr->interrupts.running_ptr == 0 && avr->sreg[S_I]);
}

/* Time passes up to the next event; interrupts are entered when they may. */
static void pass(chip *c)
{
    avr_t *avr = c->avr;
    avr_cycle_count_t sleep = avr_cycle_timer_process(avr);
    if (c->hang == CHIP_INTERRUPTS_HANG || !avr_has_pending_interrupts(avr)) {
        avr->cycle += 1 + sleep;
    } else {
        avr->cycle++;
        avr->state = cpu_Running;
        avr_service_interrupts(avr);
    }
}

/* One instruction, or many up to the next event; while something hangs, time alone. */
static void turn(chip *c)
{
    avr_t *avr = c->avr;
    if (stands_still(c))
        pass(c);
    else
        avr_run(avr);
    if (c->reset_due) { /* by the watchdog */
        c->resets++;
        after_reset(c);
    } else if (c->second_bark != 0 && avr->cycle >= c->second_bark) {
        c->resets++; /* the simulator itself waits for the interrupt for ever */
        reset_by(c, 0x08);
    }
    if (avr->state == cpu_Crashed || avr->state == cpu_Done || avr->state == cpu_Stopped)
        fail(c, "the firmware ended in state %d at address 0x%04x", avr->state, (unsigned)avr->pc);
}

void chip_run_tick(chip *c)
{
    uint64_t due = c->tick_start + CHIP_TICK_CYCLES;
    c->boundary = false;
    while (!c->boundary && c->avr->cycle < due + LATE_CYCLES && !c->error[0])
        turn(c);
    c->tick_start = c->boundary ? c->avr->cycle : due;
}

static bool arrived(const chip *c, uint32_t address)
{
    return address != 0 ? c->avr->pc == address : c->avr->data[TIMSK1] & OCIE1A;
}

bool chip_run_to(chip *c, uint32_t address, uint64_t cycles)
{
    uint64_t end = c->avr->cycle + cycles;
    c->avr->run_cycle_limit = address != 0 ? 1 : SHORT_RUN;
    while (!arrived(c, address) && c->avr->cycle < end && !c->error[0])
        turn(c);
    c->tick_start = c->avr->cycle;
    chip_set_hang(c, c->hang);
    return arrived(c, address);
}

void chip_set_converter(chip *c, uint8_t channel, uint16_t tenth_mv)
{
    c->adc->adc_values[channel] = tenth_mv; /* taken when the firmware reads the result */
}

void chip_set_inputs(chip *c, uint8_t grounded)
{
    uint8_t mask = CHIP_INPUTS << INPUT_SHIFT;
    uint8_t high = (uint8_t)(mask & ~(grounded << INPUT_SHIFT));
    avr_ioport_external_t pull = {.name = 'D', .mask = mask, .value = high};
    avr_ioctl(c->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &pull);
    c->avr->data[PIND] = (uint8_t)((c->avr->data[PIND] & ~mask) | high);
    c->inputs = grounded;
}

void chip_set_hang(chip *c, uint8_t how)
{
    c->hang = how;
    /* One instruction a turn, so that none of the main loop slips in behind an interrupt. */
    c->avr->run_cycle_limit = how == CHIP_RUNS ? FREE_RUN : 1;
}
