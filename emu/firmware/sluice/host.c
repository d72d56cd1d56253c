/* Sluice's firmware as a program of this machine, at a pseudo-terminal whose name it prints; ends with its input.
 *
 *   cc -std=c99 -D_XOPEN_SOURCE=600 -o sluice sluice.c host.c && ./sluice
 *
 * Lines such as `tank 5` and `motor 900` on its standard input set what it measures: percent, and 0.1 Cel. */

#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "sluice.h"

static int port, tank = 80, motor = 250, resetting;

void board_send(char byte)
{
    if (write(port, &byte, 1) != 1)
        return; /* nobody listens */
}

int board_level(void)
{
    return tank;
}

int board_temperature(void)
{
    return motor;
}

void board_motor(int speed)
{
    fprintf(stderr, "motor at %d.%d mL/min\n", speed / 10, abs(speed) % 10);
}

void board_reset(void)
{
    resetting = 1;
}

static int64_t milliseconds(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static int raw_terminal(void)
{
    struct termios settings;
    int far;
    port = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (port < 0 || grantpt(port) || unlockpt(port))
        return -1;
    /* Kept open, so that hosts may come and go; and nothing is echoed, or changed on the way. */
    far = open(ptsname(port), O_RDWR | O_NOCTTY);
    if (far < 0 || tcgetattr(far, &settings))
        return -1;
    settings.c_iflag = settings.c_oflag = settings.c_lflag = 0;
    return tcsetattr(far, TCSANOW, &settings);
}

int main(void)
{
    if (raw_terminal()) {
        perror("no pseudo-terminal");
        return 1;
    }
    printf("port %s\n", ptsname(port));
    fflush(stdout);
    int64_t then = milliseconds();
    sluice_boot();
    for (;;) {
        struct pollfd ends[2] = {{.fd = port, .events = POLLIN}, {.fd = 0, .events = POLLIN}};
        char bytes[64];
        poll(ends, 2, 1);
        for (int64_t now = milliseconds(); then < now; then++)
            sluice_millisecond();
        if (ends[0].revents & POLLIN) {
            ssize_t count = read(port, bytes, sizeof bytes);
            for (ssize_t index = 0; index < count; index++)
                sluice_byte(bytes[index]);
        }
        if (ends[1].revents) {
            char line[64];
            if (!fgets(line, sizeof line, stdin))
                return 0;
            if (sscanf(line, "tank %d", &tank) != 1)
                sscanf(line, "motor %d", &motor);
        }
        if (resetting) {
            resetting = 0;
            sluice_boot();
        }
    }
}
