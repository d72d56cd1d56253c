/* Tables that stay in flash where flash has an address space of its own. */
#ifndef FLASH_H
#define FLASH_H

#if defined(__AVR__)
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#define FROM_FLASH_I16(place) ((int16_t)pgm_read_word(place))
#else
#define IN_FLASH
#define FROM_FLASH_I16(place) (*(place))
#endif

#endif
