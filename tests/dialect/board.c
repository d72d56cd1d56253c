/* A board of memory for Sluice's firmware: inputs and store are variables, what it says waits in a buffer. */

#include "sluice.h"

int32_t tank, motor, speed;
char said[4096];
int32_t length;
static int32_t delay;

void board_send(char byte)
{
    if (length < (int32_t)sizeof said)
        said[length++] = byte;
}

int board_level(void)
{
    return tank;
}

int board_temperature(void)
{
    return motor;
}

void board_motor(int to)
{
    speed = to;
}

void board_reset(void)
{
    delay = 1;
}

void board_bytes(const char *bytes, int32_t count)
{
    for (int32_t index = 0; index < count; index++)
        sluice_byte(bytes[index]);
    if (delay) {
        delay = 0;
        sluice_boot();
    }
}

void board_milliseconds(int64_t count)
{
    while (count-- > 0)
        sluice_millisecond();
}
