/* Charge, energy and time drawn. */
#ifndef COUNT_H
#define COUNT_H

#include <stdint.h>

struct counters {
    int32_t charge; /* 0.0001 A.h */
    int32_t energy; /* 0.001 W.h */
    int32_t elapsed; /* 0.1 s */
};

extern struct counters counters;

void count_zero(void);

/* Every millisecond that the stage is on. */
void count(void);

#endif
