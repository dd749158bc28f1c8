/* Board `avr`: the serial line, 8N1 at 115,200 baud, both ways by interrupt. */
#include <avr/interrupt.h>

#include "pl_avr.h"

/* At double speed the rate is 2.1 % high (the nearest otherwise 3.5 % low): within what a receiver
 * takes, and what boards with this chip and crystal have always sent. */
#define DIVISOR ((F_CPU + 4u * PL_AVR_BAUD) / (8u * PL_AVR_BAUD) - 1u)

void pl_avr_serial_start(void)
{
    UCSR0A = 1u << U2X0; /* before the divisor, which it doubles */
    UBRR0 = DIVISOR;
    UCSR0C = (1u << UCSZ01) | (1u << UCSZ00);
    UCSR0B = (1u << RXCIE0) | (1u << RXEN0) | (1u << TXEN0);
}

void pl_avr_serial_send(void)
{
    if (pl_avr.link.tx_in == pl_avr.link.tx_out)
        return;
    uint8_t before = pl_board_lock(); /* the interrupt clears the same bit */
    UCSR0B |= 1u << UDRIE0;
    pl_board_unlock(before);
}

ISR(USART_RX_vect)
{
    bool lost = UCSR0A & (1u << DOR0); /* of the byte before this one; told until UDR0 is read */
    uint8_t byte = UDR0;
    if (lost)
        pl_avr.link.rx_overrun++;
    pl_rx_byte(&pl_avr.link, byte);
}

ISR(USART_UDRE_vect)
{
    int16_t byte = pl_tx_byte(&pl_avr.link);
    if (byte >= 0)
        UDR0 = (uint8_t)byte;
    else
        UCSR0B &= (uint8_t)~(1u << UDRIE0);
}
