/* The fan and the power ceiling, by the heatsink's temperature. */
#ifndef COOL_H
#define COOL_H

#include <stdint.h>

void cool_begin(void);

/* Every millisecond; it looks at the temperature once a second. */
void cool(void);

/* Settings of the fan or of the ceiling have changed. */
void cool_again(void);

/* Drive of the fan in thousandths, and the power left after derating in 10 mW. */
uint16_t cool_duty(void);
int32_t cool_ceiling(void);

#endif
