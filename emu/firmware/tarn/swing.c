#include "swing.h"

#include "tarn_vow.h"

static bool upper;
static int32_t passed; /* since the last edge, 100 us each: the step of the swing's times */
static uint16_t done;

void swing_begin(void)
{
    upper = false;
    passed = 0;
    done = 0;
}

static bool edge(void)
{
    if (upper && done < 65535U) {
        ++done;
    }
    upper = !upper;
    passed = 0;
    return true;
}

static bool finished(void)
{
    return TARN_SWING_COUNT > 0 && done >= TARN_SWING_COUNT;
}

bool swing_step(void)
{
    bool triggered = TARN_SWING_CUE == TARN_SWING_CUE_TRIGGER;
    ++passed;
    if (upper) {
        if (triggered && TARN_SWING_HOLD == TARN_SWING_HOLD_STAY) {
            return false;
        }
        return passed >= TARN_SWING_HIGH_TIME && edge();
    }
    if (triggered || finished()) {
        return false;
    }
    return passed >= TARN_SWING_LOW_TIME && edge();
}

bool swing_trigger(void)
{
    if (TARN_SWING_CUE != TARN_SWING_CUE_TRIGGER || (!upper && finished())) {
        return false;
    }
    return (!upper || TARN_SWING_HOLD == TARN_SWING_HOLD_STAY) && edge();
}

int32_t swing_level(void)
{
    return upper ? TARN_SWING_HIGH : TARN_SWING_LOW;
}

uint16_t swing_done(void)
{
    return done;
}
