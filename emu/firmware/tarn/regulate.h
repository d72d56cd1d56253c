/* The current that the stage is told to draw. */
#ifndef REGULATE_H
#define REGULATE_H

#include <stdbool.h>
#include <stdint.h>

/* A new state, or its settings: current levels are set at once, the other modes find theirs anew. */
void regulate_again(void);

/* Every millisecond, from fresh readings. */
void regulate(void);

#endif
